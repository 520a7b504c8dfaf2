"""Child processes of `manage.py serve` and `manage.py demo`: started, watched, started again, stopped.

In production each of them is a container of its own, and the container engine does this.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

log = logging.getLogger(__name__)

ROOT = Path(__file__).resolve().parent.parent
PYTHON_MODULE = [sys.executable, "-m"]
WEB = [*PYTHON_MODULE, "config.web"]
WORKER = [*PYTHON_MODULE, "config.worker", "--beat"]

LONGEST_PAUSE_SECONDS = 30.0
STEADY_AFTER_SECONDS = 60.0
PATIENCE_SECONDS = 30.0

PARENT = "HEAPLEDGER_PARENT_PROCESS"


@dataclass
class Child:
    """One process that should live. After each early death the next start waits twice as long."""

    name: str
    command: Sequence[str]
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    pause_seconds: float = 0.0
    starts_again_at: float = 0.0
    deaths: int = field(default=0)

    def start(self) -> None:
        # A session of its own: Ctrl-C reaches the parent alone, which stops its children in order.
        self.process = subprocess.Popen(  # noqa: S603 — the commands are the constants above
            self.command,
            cwd=ROOT,
            env={**os.environ, PARENT: str(os.getpid())},
            start_new_session=True,
        )
        self.started_at = time.monotonic()

    def is_alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def look_after(self) -> None:
        """Start again what has died, after its pause."""
        if self.is_alive():
            return
        now = time.monotonic()
        if self.process is not None:
            self.note_death(now)
        if now >= self.starts_again_at:
            self.start()

    def note_death(self, now: float) -> None:
        assert self.process is not None
        self.deaths += 1
        steady = now - self.started_at >= STEADY_AFTER_SECONDS
        self.pause_seconds = 1.0 if steady else min(max(1.0, self.pause_seconds * 2), LONGEST_PAUSE_SECONDS)
        self.starts_again_at = now + self.pause_seconds
        log.warning(
            "The %s ended with status %s; it starts again in %.0f s",
            self.name,
            self.process.returncode,
            self.pause_seconds,
        )
        self.kill_what_is_left()
        self.process = None

    def kill_what_is_left(self) -> None:
        """A worker killed outright leaves its clock behind, which would ring beside the next one's."""
        assert self.process is not None
        # An empty group is the usual case: the child took everything of its own along.
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)

    def ask_to_stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()

    def wait_or_kill(self, deadline: float) -> None:
        """A worker ends its job first; what does not end in time is killed, and its job's lease runs out."""
        if self.process is None:
            return
        try:
            self.process.wait(max(0.0, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            log.warning("The %s did not stop in time and is killed", self.name)
            self.kill_what_is_left()
            self.process.wait()


class Household:
    """Children that live and end together."""

    def __init__(self, *children: Child) -> None:
        self.children = children
        self.leaving = threading.Event()

    def start(self) -> None:
        for child in self.children:
            child.start()

    def look_after(self) -> None:
        for child in self.children:
            child.look_after()

    def stay(self, beat_seconds: float = 0.5) -> None:
        """Until told to leave."""
        while not self.leaving.wait(beat_seconds):
            self.look_after()

    def stop(self) -> None:
        self.leaving.set()
        for child in self.children:
            child.ask_to_stop()
        deadline = time.monotonic() + PATIENCE_SECONDS
        for child in self.children:
            child.wait_or_kill(deadline)

    def leave_on_signals(self) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self.leaving.set())


@contextmanager
def one_worker() -> Iterator[Child]:
    """A worker for as long as the block runs, for commands that need their jobs done."""
    worker = Child("worker", WORKER)
    worker.start()
    household = Household(worker)
    watcher = threading.Thread(target=household.stay, daemon=True)
    watcher.start()
    try:
        yield worker
    finally:
        household.leaving.set()
        watcher.join()
        household.stop()


def leave_with_parent(beat_seconds: float = 1.0) -> None:
    """In a child: end when the parent was killed without a chance to say so."""
    parent = os.environ.pop(PARENT, "")
    if not parent:
        return

    def watch() -> None:
        while os.getppid() == int(parent):
            time.sleep(beat_seconds)
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, daemon=True, name="leave-with-parent").start()

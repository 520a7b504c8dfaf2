"""`manage.py serve` for real: it answers, starts a dead worker again, and leaves nothing running."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from config.processes import Child, Household
from tests.config.running import ask, environment, served, wait_until

pytestmark = pytest.mark.slow


def children_of(process: int) -> dict[int, str]:
    """Process id → command, of the direct children."""
    listed = subprocess.run(["ps", "-eo", "pid,ppid,args"], capture_output=True, text=True, check=True).stdout
    rows = [line.split(None, 2) for line in listed.splitlines()[1:]]
    return {int(pid): command for pid, parent, command in rows if int(parent) == process}


def family_of(process: int) -> set[int]:
    below = set(children_of(process))
    return below.union(*(family_of(child) for child in below))


def worker_of(process: int) -> int:
    return next((pid for pid, command in children_of(process).items() if "config.worker" in command), 0)


def is_gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    state = Path(f"/proc/{process}/stat")
    return state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z"


def healthy(port: int) -> bool:
    return ask(port)[0] == 200


def test_it_answers_survives_a_dead_worker_and_leaves_nothing(tmp_path: Path) -> None:
    with served(tmp_path / "data") as (process, port):
        wait_until(lambda: healthy(port))
        first = worker_of(process.pid)
        os.kill(first, signal.SIGKILL)
        second = wait_until(lambda: worker_of(process.pid) not in (0, first) and worker_of(process.pid))
        wait_until(lambda: len(family_of(second)) >= 2)  # the worker's own process and the clock
        family = family_of(process.pid)
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) == 0
        wait_until(lambda: all(map(is_gone, family)), 10)
    log = (tmp_path / "data" / "serve.log").read_text()
    assert f"http://127.0.0.1:{port}/" in log
    assert "The worker ended with status -9; it starts again in 1 s" in log
    assert "Traceback" not in log


def test_children_leave_when_the_parent_is_killed(tmp_path: Path) -> None:
    with served(tmp_path / "data") as (process, port):
        wait_until(lambda: healthy(port))
        family = family_of(process.pid)
        assert len(family) >= 4
        process.kill()
        wait_until(lambda: all(map(is_gone, family)), 30)


def test_a_taken_port_is_said_and_nothing_is_started(tmp_path: Path) -> None:
    with served(tmp_path / "data") as (_, port):
        wait_until(lambda: ask(port)[0])
        settings = environment(tmp_path / "other", HEAPLEDGER_PORT=str(port))
        command = [sys.executable, "manage.py", "serve"]
        root = Path(__file__).resolve().parents[2]
        done = subprocess.run(command, cwd=root, env=settings, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert f"Port {port} is taken" in done.stderr
    assert not (tmp_path / "other" / "heapledger.sqlite3").exists()


def test_a_child_that_dies_at_once_waits_longer_each_time() -> None:
    child = Child("child", [sys.executable, "-c", "raise SystemExit(3)"])
    household = Household(child)
    pauses = []
    child.start()
    for _ in range(3):
        assert child.process is not None
        child.process.wait()
        child.look_after()
        pauses.append(child.pause_seconds)
        child.starts_again_at = 0.0
        child.look_after()
    household.stop()
    assert pauses == [1.0, 2.0, 4.0]


def test_what_does_not_stop_in_time_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("config.processes.PATIENCE_SECONDS", 0.3)
    stubborn = (
        "import signal, time; signal.signal(15, signal.SIG_IGN); print('up', flush=True); time.sleep(60)"
    )
    child = Child("child", [sys.executable, "-c", stubborn])
    household = Household(child)
    household.start()
    time.sleep(0.5)
    household.stop()
    assert child.process is not None
    assert child.process.returncode == -signal.SIGKILL

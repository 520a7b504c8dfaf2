"""Production as it runs in containers: web, worker and scheduler apart, on PostgreSQL and RabbitMQ."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from email.message import Message
from http.client import HTTPConnection
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from kombu import Connection, Queue

from tests import services
from tests.config.running import PRODUCTION, ROOT, environment, free_port, manage, wait_until

pytestmark = [pytest.mark.postgres, pytest.mark.rabbitmq, pytest.mark.slow]

HOST = "stock.example"
CELERY = [sys.executable, "-m", "celery", "-A", "config"]


@pytest.fixture
def database() -> Iterator[str]:
    """A database of its own, dropped at the end."""
    server, _, _ = services.database_url().rpartition("/")
    name = f"heapledger_{uuid4().hex}"
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"'.encode())
        yield f"{server}/{name}"
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)'.encode())


@pytest.fixture
def queue(broker_url: str) -> Iterator[str]:
    name = f"test-{uuid4()}"
    yield name
    with Connection(broker_url) as connection:
        Queue(name)(connection.default_channel).delete()


@contextmanager
def running(data_dir: Path, settings: dict[str, str], *commands: list[str]) -> Iterator[None]:
    with ExitStack() as stack:
        log = stack.enter_context((data_dir / "log").open("w"))
        for command in commands:
            process = subprocess.Popen(
                [sys.executable, "-m", *command],
                cwd=ROOT,
                env=environment(data_dir, **settings),
                stdout=log,
                stderr=log,
            )
            stack.callback(process.wait, timeout=60)
            stack.callback(process.terminate)
        yield


def get(port: int, path: str, **headers: str) -> tuple[int, Message]:
    """Status and headers; status 0 while nothing listens."""
    connection = HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request("GET", path, headers={"Host": HOST, **headers})
        answer = connection.getresponse()
        answer.read()
        return answer.status, answer.headers
    except OSError:
        return 0, Message()
    finally:
        connection.close()


def test_web_worker_and_scheduler_apart(tmp_path: Path, database: str, broker_url: str, queue: str) -> None:
    port = free_port()
    settings = {
        **PRODUCTION,
        "HEAPLEDGER_ALLOWED_HOSTS": HOST,
        "HEAPLEDGER_DATABASE_URL": database,
        "HEAPLEDGER_BROKER_URL": broker_url,
        "HEAPLEDGER_QUEUE": queue,
        "HEAPLEDGER_PORT": str(port),
        "HEAPLEDGER_WORKER_PROCESSES": "1",
        "HEAPLEDGER_STATIC_DIR": str(tmp_path / "static"),
    }
    for command in (["collectstatic", "--noinput"], ["migrate", "--noinput"]):
        done = manage(tmp_path, *command, **settings)
        assert done.returncode == 0, done.stderr
    scheduler = [*CELERY[2:], "beat", "--schedule", str(tmp_path / "beat"), "--pidfile="]
    with running(tmp_path, settings, ["config.web"], ["config.worker"], scheduler):
        wait_until(lambda: get(port, "/healthz")[0] == 200)

        ask = subprocess.run(
            [sys.executable, "-m", "config.ask_health"],
            cwd=ROOT,
            env=environment(tmp_path, **settings),
            check=False,
        )
        assert ask.returncode == 0
        name = f"celery@{socket.gethostname()}"
        ping = [*CELERY, "inspect", "ping", "--destination", name, "--timeout", "5"]
        said = subprocess.run(
            ping,
            cwd=ROOT,
            env=environment(tmp_path, **settings),
            capture_output=True,
            text=True,
            check=False,
        )
        assert said.returncode == 0, said.stdout + said.stderr

        status, headers = get(port, "/sign-in/")
        assert (status, headers["Location"]) == (301, f"https://{HOST}/sign-in/")

        status, headers = get(port, "/healthz", **{"X-Forwarded-Proto": "https"})
        assert status == 200
        assert headers["Strict-Transport-Security"] == "max-age=31536000"

        status, _ = get(port, "/sign-in/", Host="somewhere.else", **{"X-Forwarded-Proto": "https"})
        assert status == 400
    assert "Traceback" not in (tmp_path / "log").read_text()

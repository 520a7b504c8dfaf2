"""A Celery worker with our options: `python -m config.worker [--beat]`."""

from __future__ import annotations

import sys
import warnings
from importlib import import_module

from config.processes import leave_with_parent


def arguments(with_beat: bool) -> list[str]:
    from django.conf import settings

    given = ["--quiet", "worker", f"--concurrency={settings.WORKER_PROCESSES}", "--loglevel=WARNING"]
    # What workers tell each other is of no use with a doorbell, and fills the embedded broker's folder.
    given += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    return [*given, "--beat"] if with_beat else given


def main() -> int:
    leave_with_parent()
    import django
    from celery.platforms import SecurityWarning

    from config.celery import app

    django.setup()
    # A worker that cannot load the calculator ends here, with a reason, instead of refusing job by job.
    import_module("surveys.computing")
    # The warning is of messages that run code as root. Ours are JSON, and in production the user is none.
    warnings.filterwarnings("ignore", category=SecurityWarning)
    app.worker_main(arguments("--beat" in sys.argv[1:]))
    return 0


if __name__ == "__main__":
    sys.exit(main())

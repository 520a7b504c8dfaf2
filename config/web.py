"""The web server: `python -m config.web`. One process with threads; more processes by more containers."""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from typing import Any

from config.processes import leave_with_parent

log = logging.getLogger(__name__)


def server_options() -> dict[str, Any]:
    from django.conf import settings

    options: dict[str, Any] = {
        "host": settings.BIND,
        "port": settings.PORT,
        "threads": settings.WEB_THREADS,
        "ident": None,
        # The file and the form around it; Django looks at the rest.
        "max_request_body_size": settings.UPLOAD_LIMIT_BYTES + 1024 * 1024,
        "channel_timeout": 120,
    }
    if settings.BEHIND_TLS_PROXY:
        # Without this the server drops X-Forwarded-Proto, and each page would redirect to itself.
        options |= {
            "trusted_proxy": "*",
            "trusted_proxy_count": 1,
            "trusted_proxy_headers": {"x-forwarded-proto", "x-forwarded-for"},
            "clear_untrusted_proxy_headers": True,
        }
    return options


WAIT_FOR_WORKER_SECONDS = 60.0
"""On a machine's first day the worker compiles the same loops; two at once would take twice as long."""


def warm() -> None:
    """Load the compiled loops while nobody waits for them. What goes wrong here costs the first page time."""
    from django.db import connection

    from config.health import worker_answers
    from surveys.pages.warming import warm_pages

    try:
        until = time.monotonic() + WAIT_FOR_WORKER_SECONDS
        while worker_answers() != "ok" and time.monotonic() < until:
            time.sleep(1.0)
        warm_pages()
    except Exception:
        log.exception("The loops of the pages were not loaded beforehand")
    finally:
        connection.close()


def main() -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    leave_with_parent()
    from waitress import serve

    from config.wsgi import application

    threading.Thread(target=warm, name="warming", daemon=True).start()
    serve(application, _quiet=True, **server_options())
    return 0


if __name__ == "__main__":
    sys.exit(main())

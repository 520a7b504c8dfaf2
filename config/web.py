"""The web server: `python -m config.web`. One process with threads; more processes by more containers."""

from __future__ import annotations

import os
import sys
from typing import Any

from config.processes import leave_with_parent


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


def main() -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    leave_with_parent()
    from waitress import serve

    from config.wsgi import application

    serve(application, _quiet=True, **server_options())
    return 0


if __name__ == "__main__":
    sys.exit(main())

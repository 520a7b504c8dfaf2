#!/usr/bin/env python
"""Every command starts here: `python manage.py help` lists them."""

from __future__ import annotations

import os
import sys


def main() -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as wrong:
        # A wrong setting is answered in words: a traceback would hide the name of the variable.
        print(f"Heapledger does not start. {wrong}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/env python
"""Every command starts here: `python manage.py help` lists them."""

from __future__ import annotations

import os
import sys
from importlib import import_module

WITHOUT_DATABASE = {
    "measure": "surveys.management.commands.measure",
    "traverse": "surveys.management.commands.traverse",
}
"""Commands that touch no record: they start without the applications, which take longer than a small pile."""


def main() -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    if sys.argv[1:] and sys.argv[1] in WITHOUT_DATABASE:
        import_module(WITHOUT_DATABASE[sys.argv[1]]).Command().run_from_argv(sys.argv)
        return 0
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

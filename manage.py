#!/usr/bin/env python3
"""The one command-line door: `manage.py start --demo` runs the main job, `manage.py help` lists the rest."""

import os
import sys


def main() -> None:
    if sys.version_info < (3, 11):
        sys.exit(f"Tank Almanac needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    try:
        from django.core.exceptions import ImproperlyConfigured
        from django.core.management import execute_from_command_line
    except ImportError:
        sys.exit("The Python packages are not installed: run this as `uv run manage.py ...`.")
    words = list(sys.argv)
    if len(words) > 1:
        words[1] = words[1].replace("-", "_") if words[1][:1] != "-" else words[1]  # make-estate, move-to
    try:
        execute_from_command_line(words)
    except ImproperlyConfigured as error:
        sys.exit(f"Cannot start: {error}")


if __name__ == "__main__":
    main()

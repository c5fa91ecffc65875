#!/usr/bin/env python3
"""The one command-line door: `manage.py start --demo` runs the main job, `manage.py help` lists the rest."""

import sys

if __name__ == "__main__":
    if sys.version_info < (3, 11):
        sys.exit(f"Tank Almanac needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    try:
        import django  # noqa: F401
    except ImportError:
        sys.exit("The Python packages are not installed: run this as `uv run manage.py ...`.")
    from fleet.command_line import main

    main()

"""The command `tank-almanac`, for those who installed a wheel; `manage.py` is the same door in a checkout."""

from __future__ import annotations

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line
    from django.db import DatabaseError

    words = list(sys.argv)
    if len(words) > 1 and not words[1].startswith("-"):
        words[1] = words[1].replace("-", "_")  # make-estate, move-to
    try:
        execute_from_command_line(words)
    except ImproperlyConfigured as error:
        sys.exit(f"Cannot start: {error}")
    except DatabaseError as error:
        if "no such table" not in str(error) and "does not exist" not in str(error):
            raise
        sys.exit(
            f"The record is not made yet, or is of an earlier version ({error}). First: manage.py migrate, or start."
        )

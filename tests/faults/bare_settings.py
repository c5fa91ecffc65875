"""The bare view is served as the pages are, but has nothing of the program to read before its processes are forked."""

from __future__ import annotations

from typing import Any

from fleet.operating.gunicorn_settings import *  # noqa: F403 - all that is set there


def on_starting(server: Any) -> None:
    """Nothing to warm."""

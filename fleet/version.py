"""The version, from the one place where it stands: pyproject.toml, or what was installed from it."""

from __future__ import annotations

import tomllib
from importlib.metadata import version
from pathlib import Path


def own_version() -> str:
    beside = Path(__file__).resolve().parent.parent / "pyproject.toml"
    if beside.exists():
        project = tomllib.loads(beside.read_text(encoding="utf-8"))["project"]
        if project["name"] == "tank-almanac":
            return str(project["version"])
    return version("tank-almanac")

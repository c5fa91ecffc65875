"""The compose file as a container engine would read it, for tests that have no engine at hand."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[3]
_VARIABLE = re.compile(r"\$\$|\$\{(\w+)(?::-([^}]*))?\}")


def compose_file(environment: Mapping[str, str]) -> dict[str, Any]:
    """The file with its variables filled in; `$$` becomes one dollar, as the specification says."""

    def filled(value: Any) -> Any:
        if isinstance(value, str):
            return _VARIABLE.sub(
                lambda m: "$" if m[0] == "$$" else environment.get(m[1]) or m[2] or "", value
            )
        if isinstance(value, list):
            return [filled(one) for one in value]
        return {name: filled(one) for name, one in value.items()} if isinstance(value, dict) else value

    read: dict[str, Any] = filled(yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8")))
    return read


def docker_command() -> list[str]:
    """What the image runs when a service names no command of its own."""
    lines = (ROOT / "Dockerfile").read_text(encoding="utf-8").splitlines()
    [command] = [line.removeprefix("CMD ") for line in lines if line.startswith("CMD ")]
    words: list[str] = json.loads(command)
    return words

"""Reading JSON strictly: what the database could not keep, or two readers could read in two ways, is refused here."""

from __future__ import annotations

import json
from typing import Any

from rest_framework.parsers import BaseParser, MultiPartParser

from api.problems import Problem

DEEPEST = 20


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise ValueError(f"the name {name[:60]!r} stands twice in one object")
        found[name] = value
    return found


def _no_number(written: str) -> Any:
    raise ValueError(f"{written} is not a number of JSON")


def _check(value: Any, depth: int = 0) -> None:
    if depth > DEEPEST:
        raise ValueError(f"objects stand in each other deeper than {DEEPEST} times")
    if isinstance(value, str):
        if "\x00" in value or any("\ud800" <= letter <= "\udfff" for letter in value):
            raise ValueError("a text holds a character that cannot be kept (NUL or half a pair)")
    elif isinstance(value, dict):
        for name, inner in value.items():
            _check(name, depth + 1)
            _check(inner, depth + 1)
    elif isinstance(value, list):
        for inner in value:
            _check(inner, depth + 1)


def read_json(content: bytes) -> Any:
    try:
        value = json.loads(content.decode("utf-8"), object_pairs_hook=_once, parse_constant=_no_number)
        _check(value)
    except (ValueError, RecursionError) as error:
        raise Problem("malformed", f"The content is not JSON that can be taken: {error}."[:400]) from error
    return value


class StrictJson(BaseParser):
    media_type = "application/json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        content: bytes = parser_context["request"]._request.body
        return read_json(content) if content.strip() else {}


class Form(MultiPartParser):
    """Files, as a browser or curl -F sends them."""

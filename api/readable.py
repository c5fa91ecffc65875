"""The OpenAPI document as chapters to read: what each operation takes and gives, without a script or a network."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import yaml

from api.docs import FILE


@dataclass(frozen=True)
class Line:
    name: str
    kind: str
    needed: bool
    says: str


@dataclass(frozen=True)
class Reading:
    name: str
    method: str
    path: str
    summary: str
    needs: str
    parameters: list[Line]
    takes: list[Line]
    takes_kind: str
    gives: str
    status: str


@dataclass
class Chapter:
    tag: str
    readings: list[Reading] = field(default_factory=list)


@dataclass(frozen=True)
class ShapeRead:
    name: str
    lines: list[Line]


@cache
def content() -> dict[str, Any]:
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    found: dict[str, Any] = yaml.load(FILE.read_bytes(), Loader=loader)  # noqa: S506 (our own file, safe loader)
    return found


@cache
def as_json() -> bytes:
    return json.dumps(content(), ensure_ascii=False, default=str).encode()


def _last(reference: str) -> str:
    return reference.rsplit("/", 1)[-1]


def kind_of(schema: dict[str, Any]) -> str:
    """A schema in a few words."""
    if "$ref" in schema:
        return _last(schema["$ref"])
    for word in ("allOf", "oneOf", "anyOf"):
        if word in schema:
            parts = [kind_of(part) for part in schema[word]]
            return " or ".join(dict.fromkeys(parts))
    if "enum" in schema:
        return "one of " + ", ".join(
            "empty" if value in ("", None) else str(value) for value in schema["enum"]
        )
    kind = schema.get("type", "any")
    if kind == "array":
        return f"list of {kind_of(schema.get('items', {}))}"
    words = " or ".join(kind) if isinstance(kind, list) else str(kind)
    if form := schema.get("format"):
        words += f" ({form})"
    low, high = schema.get("minimum"), schema.get("maximum")
    if low is not None and high is not None and high < 2**53:
        words += f", {low:g} to {high:g}"
    elif "maxLength" in schema:
        words += f", at most {schema['maxLength']}"
    return words


def _fields(schema: dict[str, Any]) -> list[Line]:
    needed = set(schema.get("required", ()))
    return [
        Line(name, kind_of(inner), name in needed, inner.get("description", ""))
        for name, inner in schema.get("properties", {}).items()
    ]


def _resolved(schema: dict[str, Any]) -> dict[str, Any]:
    if "$ref" in schema:
        found: dict[str, Any] = content()["components"]["schemas"][_last(schema["$ref"])]
        return found
    return schema


def _reading(path: str, method: str, one: dict[str, Any]) -> Reading:
    body = one.get("requestBody", {}).get("content", {})
    takes_kind = next(iter(body), "")
    taken = _resolved(body[takes_kind]["schema"]) if takes_kind else {}
    status = next(status for status in one["responses"] if status.startswith("2"))
    given = one["responses"][status].get("content", {})
    gives = next(
        (kind_of(part["schema"]) if kind == "application/json" else kind for kind, part in given.items()), ""
    )
    needs = one["description"].rsplit("Needs the right to ", 1)[-1].rstrip(".")
    parameters = [
        Line(
            p["name"],
            f"{p['in']}, {kind_of(p['schema'])}",
            p.get("required", False),
            p.get("description", ""),
        )
        for p in one.get("parameters", [])
    ]
    says = one["description"].rsplit("\n\nNeeds", 1)[0]
    return Reading(
        one["operationId"],
        method.upper(),
        path,
        says,
        needs,
        parameters,
        _fields(taken),
        takes_kind,
        gives,
        status,
    )


@cache
def chapters() -> list[Chapter]:
    found: dict[str, Chapter] = {}
    for path, methods in content()["paths"].items():
        for method, one in methods.items():
            tag = one["tags"][0]
            found.setdefault(tag, Chapter(tag)).readings.append(_reading(path, method, one))
    return list(found.values())


@cache
def shapes() -> list[ShapeRead]:
    """What is given out, field by field; what is taken in stands with its operation."""
    schemas = content()["components"]["schemas"]
    return [
        ShapeRead(name, _fields(one)) for name, one in sorted(schemas.items()) if not name.endswith("Request")
    ]

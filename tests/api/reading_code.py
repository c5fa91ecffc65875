"""The program's own source, read as a graph: which function names which, without running any of it."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LEFT_OUT = ("migrations", "management", "templates", "static")
WRITES = {
    "create", "bulk_create", "save", "update_or_create", "get_or_create", "bulk_update", "delete", "set",
}  # fmt: skip
NOTES = {"record_change", "record_changes", "note", "announce"}
Place = tuple[str, str]  # module, name at its top


@dataclass
class Module:
    name: str
    aliases: dict[str, str] = field(default_factory=dict)  # what a name was imported as -> dotted
    tops: dict[str, list[ast.stmt]] = field(default_factory=dict)


@cache
def modules() -> dict[str, Module]:
    found = {}
    for room in ("fleet", "api"):
        for path in sorted((ROOT / room).rglob("*.py")):
            if not set(path.parts) & set(LEFT_OUT):
                name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
                found[name] = _read(name, ast.parse(path.read_text(encoding="utf-8")))
    return found


def _read(name: str, tree: ast.Module) -> Module:
    module = Module(name)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for one in node.names:
                module.aliases[one.asname or one.name] = f"{node.module}.{one.name}"
    for statement in tree.body:
        for top in _bound(statement):
            module.tops.setdefault(top, []).append(statement)
    return module


def _bound(statement: ast.stmt) -> list[str]:
    """The names that a statement of the module gives a value; '' for one that only does something."""
    if isinstance(statement, ast.FunctionDef | ast.ClassDef):
        return [statement.name]
    targets = statement.targets if isinstance(statement, ast.Assign) else [getattr(statement, "target", None)]
    return [one.id for one in targets if isinstance(one, ast.Name)] or [""]


def resolved(dotted: str) -> Place | None:
    """A dotted name as its module and top-level name, followed through re-exports; None for what is not ours."""
    for _ in range(5):
        module, _, name = dotted.rpartition(".")
        if module not in modules():
            return None
        if name in modules()[module].tops:
            return module, name
        if name not in modules()[module].aliases:
            return None
        dotted = modules()[module].aliases[name]
    return None


def named_in(module: str, statements: Iterable[ast.AST]) -> Iterator[Place]:
    """What these statements name of our own: by a name of this module, an imported name, or module.name."""
    here = modules()[module]
    for statement in statements:
        for node in ast.walk(statement):
            place = None
            if isinstance(node, ast.Name):
                dotted = here.aliases.get(node.id, f"{module}.{node.id}")
                place = resolved(dotted)
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                inside = here.aliases.get(node.value.id, "")
                place = resolved(f"{inside}.{node.attr}") if inside in modules() else None
            if place is not None:
                yield place


@cache
def names_of(place: Place) -> frozenset[Place]:
    module, name = place
    return frozenset(named_in(module, modules()[module].tops[name]))


def reached_from(roots: Iterable[Place]) -> set[Place]:
    seen: set[Place] = set()
    waiting = list(roots)
    while waiting:
        place = waiting.pop()
        if place not in seen:
            seen.add(place)
            waiting += names_of(place)
    return seen


def changes_rows(function: ast.FunctionDef) -> bool:
    """Whether it is a transaction, writes history, or writes rows itself."""
    if any("atomic" in ast.unparse(one) for one in function.decorator_list):
        return True
    for node in ast.walk(function):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in NOTES:
                return True
            if isinstance(node.func, ast.Attribute) and "objects" in ast.unparse(node.func.value):
                name = node.func.attr
                if name in WRITES or (name == "update" and node.keywords):
                    return True
    return False


def verbs() -> set[Place]:
    """The functions of the rooms that change rows and are there for others to call."""
    return {
        (name, top)
        for name, module in modules().items()
        if name.startswith("fleet.") and not is_page(name)
        for top, statements in module.tops.items()
        if isinstance(found := statements[0], ast.FunctionDef)
        and not top.startswith("_")
        and changes_rows(found)
    }


def is_page(module: str) -> bool:
    return module.rpartition(".")[2].endswith(("views", "forms"))


def api_places() -> list[Place]:
    return [
        (name, top) for name, module in modules().items() if name.startswith("api") for top in module.tops
    ]

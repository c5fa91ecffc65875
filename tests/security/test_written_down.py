""".github/SECURITY.md says what holds: its numbers, roles, addresses and words are those of the code."""

from __future__ import annotations

import importlib
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.conf import settings

from fleet.estate import throttle
from fleet.estate.access import GRANTS, Need
from fleet.estate.own_words import OWN_WORDS
from fleet.estate.security_log import KINDS
from tests.security.world import every_address

TEXT = (Path(settings.ROOT) / ".github" / "SECURITY.md").read_text(encoding="utf-8")


def rows_of(heading: str) -> list[list[str]]:
    """The rows of the first table below a heading, without its own heading."""
    below = TEXT.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in below.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[2:]]


def paragraph(mark: str) -> str:
    return " ".join(TEXT.split(mark, 1)[1].split("\n\n", 1)[0].split())


def test_every_open_address_is_written_down_and_no_other() -> None:
    written = {name for row in rows_of("Ways in") for name in re.findall(r"`([^`]+)`", row[0])}
    assert written == {name for name, _, _, need in every_address() if need is Need.PUBLIC}


def test_the_roles_are_those_that_are_granted() -> None:
    needs = (Need.READ, Need.WORK, Need.PLAN, Need.ADMIN)
    written = {
        role: frozenset(need for need, said in zip(needs, cells, strict=True) if said == "yes")
        for role, *cells in rows_of("Who may do what")
    }
    assert written == {str(role): granted for role, granted in GRANTS.items()}


def _value(where: str) -> Any:
    module, _, name = where.partition(":")
    value = getattr(settings if module == "settings" else importlib.import_module(module), name)
    return value.total_seconds() if isinstance(value, timedelta) else value


def test_every_limit_is_the_one_in_force() -> None:
    rows = rows_of("Limits")
    assert len(rows) >= 20
    wrong = [
        (what, said, _value(where))
        for what, said, where in rows
        if float(said.split()[0]) != float(_value(where))
    ]
    assert wrong == []


def test_the_words_about_guessing_are_those_of_the_counts(rf: Any) -> None:
    known = {count.free for count in throttle.counts_for(rf.get("/"), "a@almanac.example")}
    said = paragraph("**Guessing.**")
    numbers = {"five": 5, "thirty": 30, "fifty": 50}
    assert {number for word, number in numbers.items() if f"{word} " in said} == known


def test_the_words_that_make_no_password_are_listed() -> None:
    said = paragraph("**Passwords.**")
    assert {word for word in OWN_WORDS if word in said} == OWN_WORDS


def test_every_kind_of_the_security_log_is_listed() -> None:
    below = " ".join(TEXT.split("\n## Logs\n", 1)[1].split())
    assert set(re.findall(r"\w+", below.rsplit(":", 1)[1])) == set(KINDS)


def test_every_section_that_is_asked_for_is_there() -> None:
    """ASVS asks for these in writing: times of mending, calls to others, data and how it is guarded, keys."""
    sections = {
        name: body
        for name, body in re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", TEXT, re.MULTILINE | re.DOTALL)
    }
    asked = {
        "Reporting a hole, and how soon it is mended": "within 7 days",
        "Keys and digests": "ALMANAC_OLD_SECRET_KEYS",
        "Calls to others": "identity provider",
        "Data that needs care": "security log",
        "Logs": "standard error",
    }
    assert [name for name, words in asked.items() if words not in sections.get(name, "")] == []

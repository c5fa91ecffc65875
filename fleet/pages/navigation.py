"""The main menu: what a person's needs let her reach, in the order she is likely to ask for it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse


@dataclass(frozen=True)
class Entry:
    label: str
    address: str
    here: bool


# (label, URL name, need). A room that is not installed is left out of the menu.
MENU: tuple[tuple[str, str, str], ...] = (
    ("At a glance", "pages:portfolio", "read"),
    ("Work", "care:queue", "read"),
    ("Plan", "planning:plan", "read"),
    ("Properties", "pages:properties", "read"),
    ("Heaters", "pages:heaters", "read"),
    ("What is missing", "heaters_export:data_quality", "read"),
    ("Import", "heaters:import_start", "plan"),
    ("Export", "heaters_export:export", "read"),
    ("Changes", "pages:history", "read"),
)


def address(name: str, *arguments: object) -> str:
    """The address of a named page, or nothing where that room has no such page."""
    try:
        return reverse(name, args=arguments)
    except NoReverseMatch:
        return ""


def menu(needs: Iterable[str], path: str) -> list[Entry]:
    granted = frozenset(needs)
    found = [(label, address(name)) for label, name, need in MENU if need in granted]
    return [Entry(label, link, _is_here(link, path)) for label, link in found if link]


def _is_here(link: str, path: str) -> bool:
    return path == link or (link != "/" and path.startswith(link.rstrip("/") + "/"))

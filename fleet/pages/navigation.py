"""The main menu: what a person's needs let her reach, in the order she is likely to ask for it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import accumulate

from django.template.loader import render_to_string
from django.urls import NoReverseMatch, reverse
from django.utils.safestring import SafeString

ROW_LETTERS = 28  # so many letters of a menu stand beside "More" on a phone of 360 px


@dataclass(frozen=True)
class Entry:
    label: str
    address: str
    here: bool
    folded: bool = False  # on a phone it stands behind "More": the row has no room for it


# (label, URL name, need). A room that is not installed is left out of the menu. The doors that each day begins with
# stand in the row; what is needed now and then stands in groups behind "More".
MENU: tuple[tuple[str, str, str], ...] = (
    ("At a glance", "pages:portfolio", "read"),
    ("Work", "care:queue", "read"),
    ("Plan", "planning:plan", "read"),
    ("Heaters", "pages:heaters", "read"),
    ("Properties", "pages:properties", "read"),
)
MORE: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "Records",
        (
            ("What is missing", "heaters_export:data_quality", "read"),
            ("Import", "heaters:import_start", "plan"),
            ("Export", "heaters_export:export", "read"),
            ("Changes", "pages:history", "read"),
            ("Background work", "pages:jobs", "read"),
        ),
    ),
    (
        "Access",
        (
            ("People", "estate:people", "admin"),
            ("Companies with access", "contracts:access", "admin"),
            ("Service contracts", "contracts:received", "plan"),
            ("Tokens", "estate:tokens", "read"),
            ("Security log", "estate:security_log", "admin"),
            ("Settings", "estate:organisation", "admin"),
        ),
    ),
    (
        "Help",
        (
            ("Guide", "pages:guide", "read"),
            ("How the forecast is made", "pages:method", "read"),
            ("Trade words", "pages:trade_words", "read"),
            ("Keys", "pages:keys", "read"),
        ),
    ),
    (
        "Yours",
        (
            ("Inbox", "reminders:inbox", "read"),
            ("When you hear of things", "reminders:wishes", "read"),
            ("Reading habits", "pages:reading_habits", "read"),
        ),
    ),
)
# What a plumbing company asks for first; its own heaters, if it has any, stand among its clients'.
COMPANY_MENU: tuple[tuple[str, str, str], ...] = (
    ("Clients", "contracts:clients", "read"),
    ("Work", "care:queue", "read"),
    ("Surveys", "contracts:surveys", "plan"),
    ("Offers", "contracts:offers", "plan"),
    ("Contracts", "contracts:contracts", "plan"),
    ("Heaters", "pages:heaters", "read"),
    ("Properties", "pages:properties", "read"),
)


def address(name: str, *arguments: object) -> str:
    """The address of a named page, or nothing where that room has no such page."""
    try:
        return reverse(name, args=arguments)
    except NoReverseMatch:
        return ""


# What a house gives to companies and gets from them: a company has pages of its own for that.
OF_A_HOUSE = frozenset({"contracts:access", "contracts:received"})


def menu(needs: Iterable[str], path: str, kind: str = "owner") -> list[Entry]:
    granted = frozenset(needs)
    rows = COMPANY_MENU if kind == "company" else MENU
    if kind != "company" and "work" in granted and "plan" not in granted:
        rows = (("Today", "pages:portfolio", "read"), *MENU[1:])  # what a crew's first page is called
    return _folded(_entries(rows, granted, path))


def _folded(entries: list[Entry]) -> list[Entry]:
    """From the first entry on that the phone's row has no room for, all are marked."""
    letters = accumulate(len(entry.label) for entry in entries)
    rows = zip(entries, letters, strict=True)
    return [replace(entry, folded=so_far > ROW_LETTERS) for entry, so_far in rows]


def more(needs: Iterable[str], path: str, kind: str = "owner") -> list[tuple[str, list[Entry]]]:
    """The groups behind "More", without those in which this person may open nothing."""
    granted = frozenset(needs)
    left_out = OF_A_HOUSE if kind == "company" else frozenset()
    shown = [(title, tuple(row for row in rows if row[1] not in left_out)) for title, rows in MORE]
    groups = [(title, _entries(rows, granted, path)) for title, rows in shown]
    return [(title, entries) for title, entries in groups if entries]


def written(needs: Iterable[str], path: str, kind: str = "owner") -> SafeString:
    """Both, as every page shows them. They differ by who may what and where she is alone: each is written once."""
    entries, groups = menu(needs, path, kind), more(needs, path, kind)
    return _written(tuple(entries), tuple((title, tuple(group)) for title, group in groups))


@lru_cache(maxsize=1024)
def _written(entries: tuple[Entry, ...], groups: tuple[tuple[str, tuple[Entry, ...]], ...]) -> SafeString:
    return render_to_string(
        "pages/menu.html",
        {
            "entries": entries,
            "folded": [entry for entry in entries if entry.folded],
            "groups": groups,
        },
    )


def _entries(rows: tuple[tuple[str, str, str], ...], granted: frozenset[str], path: str) -> list[Entry]:
    found = [(label, link) for label, link, need in _linked(rows) if need in granted]
    # Of /contracts/ and /contracts/offers/ the nearer one is where the reader is.
    nearest = max((link for _, link in found if _is_here(link, path)), key=len, default="")
    return [Entry(label, link, link == nearest) for label, link in found]


@cache
def _linked(rows: tuple[tuple[str, str, str], ...]) -> list[tuple[str, str, str]]:
    """Each entry's label, address and need; addresses are looked up once a process and not once a page."""
    return [(label, link, need) for label, name, need in rows if (link := address(name))]


def _is_here(link: str, path: str) -> bool:
    return path == link or (link != "/" and path.startswith(link.rstrip("/") + "/"))

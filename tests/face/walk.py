"""Every page that each user can come to on the demonstration estate: by its links, and those that no link leads to.

    uv run --group test python -m tests.face.walk [SEAT ...]

Axe (WCAG 2.2 AA) on each of them in light and in dark, and whether it fits its window at three widths; ends with 1 if
one fails or a link leads where its reader may not go. One server, one browser. Of pages that are the same page with other rows, the first met is looked at; each user meets
her own.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import deque
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urljoin, urlsplit

from tests.browser import axe
from tests.browser.chromium import CHROMIUM, DESK, QUIET
from tests.demonstration import ROOT, SETTINGS, START, People, demonstration, sign_in

SEATS = {
    "owner": "owner",
    "planner": "planner",
    "technician": "technician",
    "viewer": "viewer",
    "company": "owner, plumbing company",
    "fitter": "technician, plumbing company",
    "nobody": "",
    "second factor": "second factor",
}
SECOND = ("second@almanac.example", "invented-second-factor-1")  # asked for a second factor, made by `rare`
PATIENCE = 600_000  # milliseconds: a busy machine is no fault of a page
# Files to save, not pages to read.
FILES = re.compile(
    r"\.(csv|json|ndjson|xlsx|svg|pdf|ics|ya?ml|geojson|zip|js|webmanifest|ods)$|/file/|/attachments/"
)


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "a" and (link := dict(attrs).get("href")):
            self.found.append(link)


def links_of(text: str) -> list[str]:
    reader = _Links()
    reader.feed(text)
    return reader.found


def page_name(address: str) -> str:
    """The name of the page that an address leads to, or nothing where it leads to no page."""
    from django.urls import Resolver404, resolve

    try:
        return str(resolve(urlsplit(address).path).view_name)
    except Resolver404:
        return ""


def pages_by_links(get: Any, start: str, dead: list[str]) -> dict[str, str]:
    """One address for each page that links lead to, by the page's name. `get` gives status and text of an address.

    A link to where its reader may not go is put to `dead`.
    """
    found: dict[str, str] = {}
    waiting, seen = deque([("", start)]), {start}
    while waiting:
        whence, address = waiting.popleft()
        name = page_name(address)
        if not name or name in found:
            continue
        status, text = get(address)
        if status != 200:
            dead.append(f"{whence} leads to {address}, which answers {status}")
            continue
        found[name] = address
        for link in links_of(text):
            path = urljoin(address, link).split("#")[0]
            if path.startswith("/") and path not in seen and not FILES.search(urlsplit(path).path):
                seen.add(path)
                waiting.append((address, path))
    return found


@dataclass(frozen=True)
class Seen:
    seat: str
    name: str
    address: str


def _rare_pages(folder: Path) -> list[tuple[str, str]]:
    made = folder / "rare-pages.txt"
    if not made.exists():
        environment = {**os.environ, **SETTINGS, "ALMANAC_DATA": str(folder)}
        said = subprocess.run(
            [sys.executable, "-m", "tests.face.rare"],
            cwd=ROOT,
            env=environment,
            check=True,
            stdout=subprocess.PIPE,
            text=True,
        )
        made.write_text(said.stdout, encoding="utf-8")
    lines = made.read_text(encoding="utf-8").splitlines()
    return [(seat, address) for seat, address in (line.split("\t") for line in lines if "\t" in line)]


@contextmanager
def seats_taken(browser: Any, people: People, seats: Collection[str]) -> Iterator[dict[str, Any]]:
    """A browser's context for each seat, signed in."""
    taken = {}
    for seat in seats:
        context = browser.new_context(viewport=DESK)
        context.set_default_timeout(PATIENCE)
        if SEATS[seat]:
            sign_in(context, *people[SEATS[seat]])
        taken[seat] = context
    yield taken
    for context in taken.values():
        context.close()


def all_pages(taken: dict[str, Any], rare: list[tuple[str, str]], dead: list[str]) -> Iterator[Seen]:
    """What each seat can see; where two seats see the same page, both."""
    for seat, context in taken.items():
        if seat in ("nobody", "second factor"):
            continue

        def get(address: str, context: Any = context) -> tuple[int, str]:
            answer = context.request.get(START + address, timeout=PATIENCE)
            return answer.status, answer.text()

        mine: list[str] = []
        for name, address in pages_by_links(get, "/", mine).items():
            yield Seen(seat, name, address)
        dead += [f"{seat}: {line}" for line in mine]
    if "nobody" in taken:
        yield Seen("nobody", "pages:sign_in", "/sign-in/")
    for seat, address in rare:
        if seat in taken:
            yield Seen(seat, page_name(address) or "nothing here", address)


@contextmanager
def walking(
    folder: Path | None = None, seats: Collection[str] = tuple(SEATS)
) -> Iterator[tuple[dict[str, Any], list[Seen], list[str]]]:
    """The demonstration with seats taken, all their pages, and the links that lead nowhere."""
    from tempfile import TemporaryDirectory

    import django
    from playwright.sync_api import sync_playwright

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
    os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    django.setup()
    with TemporaryDirectory() as made:
        place = folder or Path(made)
        with demonstration(place, **SETTINGS) as people, sync_playwright() as driver:
            rare = _rare_pages(place)
            people = people | {"second factor": SECOND}
            browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
            with seats_taken(browser, people, seats) as taken:
                dead: list[str] = []
                yield taken, list(all_pages(taken, rare, dead)), dead
            browser.close()


def main() -> None:
    folder = os.environ.get("DEMONSTRATION_FOLDER")
    with walking(Path(folder) if folder else None, sys.argv[1:] or tuple(SEATS)) as (taken, pages, dead):
        wrong = list(dead)
        print(*dead, sep="\n", flush=True)
        for seen in pages:
            page = taken[seen.seat].new_page()
            page.goto(START + seen.address, wait_until="load")
            here = axe.in_both_colours(page) + axe.too_wide(page)
            print(f"{seen.seat}: {seen.name} {seen.address}", *here, sep="\n    ", flush=True)
            wrong += here
            page.close()
    print(f"{len(pages)} pages, {len(wrong)} things wrong")
    raise SystemExit(bool(wrong))


if __name__ == "__main__":
    main()

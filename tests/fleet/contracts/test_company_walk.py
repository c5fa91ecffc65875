"""A company follows every link, picture, form and button that it is shown, at each level of access: none is shut to it."""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urljoin, urlsplit

import pytest
from django.test import Client
from django.utils import timezone

from fleet.care.models import Task, UnsafeFinding
from fleet.care.roll import roll_forward
from fleet.estate import grants
from fleet.estate.models import AccessGrant, Person
from fleet.estate.scope import Level, scope_of_organisation, scoped
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import accepted, drafted, standing_house
from tests.fleet.contracts.test_access import outlook

Open = Callable[..., AccessGrant]
SHUT = (403, 404, 405, 500)
# Signing out and one's own account are everybody's and end the walk.
LEFT_ALONE = ("/sign-out/", "/help/", "/account", "/static/", "/api/", "/organisation/")
EACH = 2  # addresses of one pattern that are tried


@dataclass
class Form:
    action: str
    method: str
    values: dict[str, str] = field(default_factory=dict)


class Reader(HTMLParser):
    """The links, pictures and forms of a page, with what each form sends if it is sent as it stands."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.forms: list[Form] = []
        self.select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        if tag == "a" and "href" in found:
            self.links.append(found["href"])
        elif tag == "img":
            self.links.append(found["src"])
        elif tag == "form":
            self.forms.append(Form(found.get("action", ""), found.get("method", "get").lower()))
        elif tag == "select":
            self.select = found.get("name", "")
        elif self.forms and found.get("name"):
            self._value(tag, found)
        elif tag == "option" and self.forms and self.select:
            self.forms[-1].values.setdefault(self.select, found.get("value", ""))

    def _value(self, tag: str, found: dict[str, str]) -> None:
        kind = found.get("type", "text")
        if kind in ("checkbox", "file"):
            return
        if kind == "radio" or tag == "button":
            self.forms[-1].values.setdefault(found["name"], found.get("value", ""))
        elif tag in ("input", "textarea"):
            self.forms[-1].values[found["name"]] = found.get("value", "")


def pattern_of(address: str) -> str:
    parts = urlsplit(address)
    names = sorted(part.split("=")[0] for part in parts.query.split("&"))
    return re.sub(r"\d+", "N", parts.path) + "?" + "&".join(names)


def walk(client: Client, start: str) -> Iterator[tuple[str, str, int]]:
    """Every answer as (page that showed it, what was followed, status)."""
    waiting, tried, seen, forms = deque([("the start", start)]), Counter[str](), set[str](), {}
    while waiting:
        shown_on, address = waiting.popleft()
        if address in seen or urlsplit(address).path.startswith(LEFT_ALONE):
            continue
        seen.add(address)
        tried[pattern_of(address)] += 1
        if tried[pattern_of(address)] > EACH:
            continue
        answer = client.get(address)
        answer.getvalue()  # a file is read to its end: to break it off closes the test's connection
        yield shown_on, address, answer.status_code
        if answer.status_code == 302:
            waiting.append((address, urljoin(address, answer["Location"])))
        if not answer.get("Content-Type", "").startswith("text/html"):
            continue
        page = Reader()
        page.feed(answer.content.decode())
        for link in page.links:
            target = urljoin(address, link.split("#")[0])
            if target.startswith("/"):
                waiting.append((address, target))
        for form in page.forms:
            target = urljoin(address, form.action or address)
            if form.method == "post":
                key = (pattern_of(target), tuple(sorted(form.values)))
                forms.setdefault(key, (address, target, form.values))
    for shown_on, target, values in forms.values():
        if not urlsplit(target).path.startswith(LEFT_ALONE):
            yield shown_on, f"POST {target}", client.post(target, values).status_code


def shut_doors(client: Client, start: str = "/") -> list[str]:
    answers = list(walk(client, start))
    assert len(answers) > 30
    return [f"{what} answers {status}, shown on {page}" for page, what, status in answers if status in SHUT]


def something_of_everything(cast: Cast) -> None:
    """Due tasks, one done, and a finding that stands open."""
    with scoped(scope_of_organisation(cast.house)):
        roll_forward(cast.house)
        task = Task.objects.filter(heater=cast.heater).order_by("id").first()
        UnsafeFinding.objects.create(
            organisation=cast.house,
            heater=cast.heater,
            task=task,
            what="capped valve",
            seen_at=timezone.now(),
        )


def beside_it_a_survey(cast: Cast, open_house: Open) -> None:
    """Another client opens its property for a survey only: what holds at one place does not hold at the other."""
    birch = cast.foreign_heater.position.building.property
    with scoped(scope_of_organisation(cast.other_house)):
        roll_forward(cast.other_house)
    open_house(Level.SURVEY, house=cast.other_house, properties=[birch.pk], days=3650)


@pytest.mark.parametrize("level", [Level.SURVEY, Level.OUTLOOK])
def test_nothing_shown_to_the_boss_is_shut(level: Level, cast: Cast, trade: Trade, open_house: Open) -> None:
    standing_house(cast, 2)
    outlook(cast)
    open_house(level, days=3650)
    something_of_everything(cast)
    beside_it_a_survey(cast, open_house)
    if level == Level.SURVEY:
        drafted(cast, trade)
    else:
        accepted(cast, trade)
    assert shut_doors(cast.client(trade.boss)) == []


def test_nothing_shown_to_the_fitter_is_shut(cast: Cast, trade: Trade, open_house: Open) -> None:
    standing_house(cast, 2)
    open_house(Level.WORK)
    something_of_everything(cast)
    beside_it_a_survey(cast, open_house)
    assert shut_doors(cast.client(trade.fitter)) == []


def test_after_the_access_is_revoked_no_way_to_it_is_shown(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    standing_house(cast, 1)
    open_house(Level.WORK)
    contract = accepted(cast, trade)
    with scoped(scope_of_organisation(cast.house)):
        for grant in AccessGrant.objects.all():
            grants.revoke_access(grant)
    client = cast.client(trade.boss)
    assert "H-1" in client.get(f"/contracts/{contract.pk}/").content.decode()
    assert shut_doors(client, "/contracts/") == []


def addresses_on(cast: Cast, person: Person, address: str) -> str:
    content: Any = cast.client(person).get(address).content
    return str(content.decode())


def test_a_survey_shows_the_register_without_the_ways_to_change_it(
    cast: Cast, trade: Trade, open_house: Open
) -> None:
    open_house(Level.SURVEY)
    page = addresses_on(cast, trade.boss, f"/heaters/{cast.heater.pk}/")
    assert "H-1" in page
    assert "Change this record" not in page
    assert "Change this record" in addresses_on(cast, cast.technician, f"/heaters/{cast.heater.pk}/")

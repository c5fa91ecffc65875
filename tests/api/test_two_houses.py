"""Two organisations acting at once, in any order: no row of one is ever seen by the other, and no change is lost.

A plain model of what each house has entered is kept beside it; after every step each house reads exactly its own, and a
plumbing company's service exactly those of the houses that have opened themselves to it.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from fleet.contracts.models import ReceivedOffer
from fleet.estate.models import AccessToken, Membership, Organisation, Person
from fleet.estate.scope import unscoped
from tests.api.conftest import Api, token_for
from tests.conftest import Cast

# A long run: TWO_HOUSES=200 TWO_HOUSES_STEPS=80 pytest tests/api/test_two_houses.py
EXAMPLES = int(os.environ.get("TWO_HOUSES", "6"))
STEPS = int(os.environ.get("TWO_HOUSES_STEPS", "14"))
HOUSES = st.sampled_from(["ours", "theirs"])
WORDS = st.text(st.characters(min_codepoint=48, max_codepoint=122), min_size=1, max_size=8).filter(str.strip)


class TwoHouses(RuleBasedStateMachine):
    cast: Cast
    kept = Bundle("kept")
    tokens = Bundle("tokens")

    @initialize()
    def open(self) -> None:
        self.api = {"ours": Api(token_for(self.cast.owner)), "theirs": Api(token_for(self.cast.outsider))}
        self.building = {
            "ours": self.cast.building.pk,
            "theirs": self.cast.foreign_heater.position.building_id,
        }
        self.rows: dict[str, dict[int, dict[str, Any]]] = {
            house: {row["id"]: row for row in api.read("positions")["items"]}
            for house, api in self.api.items()
        }
        self.tags: dict[int, str] = {}
        self.good: set[str] = set()
        self.company, _ = Organisation.objects.get_or_create(
            name="Fir Plumbing (invented)", kind="company", defaults={"invented": True}
        )
        boss = Person.objects.create_user("fir@almanac.example", "water-heater-9", name="Fir")
        Membership.objects.create(organisation=self.company, person=boss, role="owner")
        self.van = Api(token_for(boss, kind="service"))
        self.code = Api(token_for(boss)).read("clients")["code"]
        self.opened: dict[str, dict[str, Any]] = {}
        self.offers = {house: self.offer_to(house) for house in self.api}
        self.cursor = {house: api.read("changes?limit=1000")["cursor"] for house, api in self.api.items()}
        self.copy = {house: dict(rows) for house, rows in self.rows.items()}

    def person(self, house: str) -> Any:
        return self.cast.owner if house == "ours" else self.cast.outsider

    def offer_to(self, house: str) -> int:
        row = self.cast.house if house == "ours" else self.cast.other_house
        with unscoped("an offer received"):
            made = ReceivedOffer.objects.create(
                organisation=row,
                company=self.company,
                company_name=self.company.name,
                number=1,
                version=1,
                content={},
                document=b"%PDF-made",
                received_at=timezone.now(),
                valid_until=timezone.now().date(),
            )
        return int(made.pk)

    @rule(target=kept, house=HOUSES, words=WORDS)
    def enter(self, house: str, words: str) -> Any:
        body = {"building_id": self.building[house], "label": words}
        answer = self.api[house].post(
            "positions", body, idempotency_key=words[:8] if words.isalnum() else "k"
        )
        taken = any(row["label"] == words for row in self.rows[house].values())
        if answer.status_code == 201:
            row = answer.json()
            # Sent again with its key the first answer comes back, however the row has changed since.
            self.rows[house].setdefault(row["id"], row)
            return row["id"], house, answer["ETag"]
        assert answer.status_code == 422
        assert taken or answer.json()["type"].endswith("key-reused")
        return multiple()

    @rule(row=kept, house=HOUSES, words=WORDS)
    def change(self, row: Any, house: str, words: str) -> None:
        """With the state that was read at entering: taken only by its own house, and only if nothing came between."""
        number, owner, tag = row
        answer = self.api[house].patch(f"positions/{number}", {"room": words}, if_match=tag)
        if house != owner:
            assert answer.status_code == 404
        elif self.tags.get(number, tag) != tag:
            assert answer.status_code == 412
        else:
            assert answer.status_code == 200
            self.rows[house][number] = answer.json()
            self.tags[number] = answer["ETag"]

    @rule(row=kept, house=HOUSES)
    def read(self, row: Any, house: str) -> None:
        number, owner, _ = row
        answer = self.api[house].get(f"positions/{number}")
        if house == owner:
            assert answer.json() == self.rows[house][number]
        else:
            nowhere = self.api[house].get("positions/999999999")
            assert (answer.status_code, answer.content) == (404, nowhere.content)

    @rule(row=kept, house=HOUSES, words=WORDS)
    def borrow(self, row: Any, house: str, words: str) -> None:
        """Put a heater at a place: at another's place it is refused like at no place at all."""
        number, owner, _ = row
        body = {"position_id": number, "tag": f"{house} {number} {words}", "kind": "heat_pump"}
        answer = self.api[house].post("heaters", body)
        if house != owner:
            assert answer.status_code == 422
            assert answer.json()["errors"][0]["pointer"] == "/position_id"
        else:
            assert answer.status_code in (201, 422)

    @rule(target=tokens, house=HOUSES, name=WORDS, need=st.sampled_from(["read", "work"]))
    def make_a_token(self, house: str, name: str, need: str) -> Any:
        secret = token_for(self.person(house), needs=[need], name=name)
        self.good.add(secret)
        return secret, house, need

    @rule(token=consumes(tokens), house=HOUSES)
    def revoke(self, token: Any, house: str) -> None:
        """Only by the house that made it; from then on it opens nothing."""
        secret, owner, _ = token
        with unscoped("its number"):
            pk = AccessToken.objects.get(digest=hashlib.sha256(secret.encode()).hexdigest()).pk
        client = self.cast.client(self.person(house))
        answer = client.post(reverse("estate:revoke_token", args=[pk]))
        assert answer.status_code == (302 if house == owner else 404)
        if house == owner:
            self.good.discard(secret)
        assert (Api(secret).get("me").status_code != 401) == (secret in self.good)

    @rule(token=tokens, row=kept)
    def use_a_token(self, token: Any, row: Any) -> None:
        """It reads its own house's rows, and writes where it was made for that."""
        secret, house, need = token
        number, owner, _ = row
        api = Api(secret)
        assert api.get(f"positions/{number}").status_code == (
            403 if need != "read" else 200 if house == owner else 404
        )
        body = {"building_id": self.building[owner], "label": f"by token {number}"}
        if need == "read" or house != owner:
            assert api.post("positions", body).status_code == (403 if need == "read" else 422)

    @rule(house=HOUSES, level=st.sampled_from(["survey", "work"]))
    def open_to_the_company(self, house: str, level: str) -> None:
        if house in self.opened:
            return
        place = next(iter(self.rows[house].values()))["property_id"]
        until = (timezone.now().date() + timedelta(days=9)).isoformat()
        body = {"code": self.code, "property_ids": [place], "level": level, "until": until}
        answer = self.api[house].post("grants", body)
        assert answer.status_code == 201, answer.content
        self.opened[house] = answer.json() | {"level": level}

    @rule(house=HOUSES, by=HOUSES)
    def close_to_the_company(self, house: str, by: str) -> None:
        """Only by the house that opened itself."""
        if house not in self.opened:
            return
        answer = self.api[by].post(f"grants/{self.opened[house]['id']}/revoke", {"reason": "over"})
        assert answer.status_code == (200 if by == house else 404)
        if by == house:
            del self.opened[house]

    @rule(row=kept, words=WORDS)
    def the_company_changes(self, row: Any, words: str) -> None:
        """Where work is open to it, and with the state that was read; elsewhere the row is not there."""
        number, owner, tag = row
        answer = self.van.patch(f"positions/{number}", {"room": words}, if_match=tag)
        if self.opened.get(owner, {}).get("level") != "work":
            assert answer.status_code == 404
        elif self.tags.get(number, tag) != tag:
            assert answer.status_code == 412
        else:
            assert answer.status_code == 200, answer.content
            self.rows[owner][number] = answer.json()
            self.tags[number] = answer["ETag"]

    @rule(house=HOUSES)
    def ask_for_offers(self, house: str) -> None:
        """What a company has handed to one house is not there for the other."""
        client = self.cast.client(self.person(house))
        for owner, number in self.offers.items():
            answer = client.get(reverse("contracts:received_pdf", args=[number]))
            assert answer.status_code == (200 if house == owner else 404)

    @rule(house=HOUSES)
    def catch_up(self, house: str) -> None:
        answer = self.api[house].read(f"changes?limit=1000&kinds=positions&after={self.cursor[house]}")
        self.cursor[house] = answer["cursor"]
        for one in answer["items"]:
            self.copy[house][one["id"]] = one["row"]
        assert self.copy[house] == self.rows[house]

    @invariant()
    def each_house_sees_exactly_its_own(self) -> None:
        cache.clear()
        for house, api in getattr(self, "api", {}).items():
            listed = {row["id"]: row for row in api.read("positions?limit=1000")["items"]}
            assert listed == self.rows[house]
        if hasattr(self, "van"):
            listed = {row["id"]: row for row in self.van.read("positions?limit=1000")["items"]}
            assert listed == {
                number: row for house in self.opened for number, row in self.rows[house].items()
            }


@contextmanager
def undone() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@pytest.mark.django_db
def test_two_houses_at_once(cast: Cast) -> None:
    def machine() -> TwoHouses:
        found = TwoHouses()
        found.cast = cast
        found.undo = undone()  # type: ignore[attr-defined]
        found.undo.__enter__()  # type: ignore[attr-defined]
        found.teardown = lambda: found.undo.__exit__(None, None, None)  # type: ignore[attr-defined,method-assign]
        return found

    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )

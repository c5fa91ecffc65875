"""A part of a word is found in every sort of name, and on PostgreSQL through indexes of trigrams where they may stand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection
from django.urls import reverse

from fleet.estate.models import Membership
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater
from fleet.pages import trigrams
from tests.conftest import Cast, make_heater

on_postgres = [
    pytest.mark.services,
    pytest.mark.skipif(
        connection.vendor != "postgresql", reason="needs PostgreSQL: set ALMANAC_DATABASE_URL"
    ),
]


@pytest.fixture
def sought(cast: Cast) -> Heater:
    with scoped(scope_of_organisation(cast.house)):
        heater: Heater = make_heater(
            cast.house, "Cedar Yard", "KX-4711", serial_number="SER/98-ab", model_number="Mod 50 T"
        )
        place = heater.position
        place.label, place.room = "Boiler cupboard", "Cellar 3"
        place.save()
        place.building.name = "Gatehouse"
        place.building.save()
    return heater


def page_of(cast: Cast, words: str, who: str = "owner") -> str:
    answer = cast.client(getattr(cast, who)).get(reverse("pages:find"), {"words": words, "stay": "1"})
    return str(answer.content.decode())


@pytest.mark.parametrize(
    "words",
    ["4711", "kx-47", "98-A", "50 t", "cupboard", "gateh", "dar ya", "x-4 8-ab", "atehouse edar 47", "kx 50 cell"],
)  # fmt: skip
def test_parts_of_words_of_any_sort_meet_at_one_heater(cast: Cast, sought: Heater, words: str) -> None:
    there = reverse("pages:heater", args=[sought.pk])
    page = page_of(cast, words)
    assert (there in page) is ("cell" not in words)  # a room is no heater's name
    assert reverse("pages:heater", args=[cast.heater.pk]) not in page
    listed = cast.client(cast.owner).get(reverse("pages:heaters"), {"words": words}).content.decode()
    assert (f'href="{there}"' in listed) is ("cell" not in words)


@pytest.mark.parametrize("words", ["upboard", "ellar", "ellar gateh", "dar boil"])
def test_parts_of_words_find_a_place(cast: Cast, sought: Heater, words: str) -> None:
    assert reverse("pages:position", args=[sought.position_id]) in page_of(cast, words)


@pytest.mark.parametrize("words", ["4711 Alder", "kx-4711x", "cupboard cellar4"])
def test_a_word_that_stands_nowhere_there_finds_nothing(cast: Cast, sought: Heater, words: str) -> None:
    page = page_of(cast, words)
    assert reverse("pages:heater", args=[sought.pk]) not in page
    assert reverse("pages:position", args=[sought.position_id]) not in page


def test_a_part_of_a_word_finds_only_what_one_may_see(cast: Cast, sought: Heater) -> None:
    assert "KX-4711" not in page_of(cast, "4711", "outsider")
    seen = Membership.objects.get(person=cast.technician)
    seen.all_properties = False
    seen.save()
    with scoped(scope_of_organisation(cast.house)):
        seen.properties.set([cast.property])
    for words in ("471", "cupboard", "gatehouse", "cedar"):
        page = page_of(cast, words, "technician")
        assert not any(word in page for word in ("KX-4711", "Boiler cupboard", "Gatehouse", "Cedar Yard"))


class TestIndexes:
    pytestmark = on_postgres

    @pytest.fixture
    def without(self, db: None) -> Iterator[Any]:
        """A database to which the extension was never added; all of it is undone with the test's transaction."""
        with connection.cursor() as cursor:
            cursor.execute("DROP EXTENSION pg_trgm CASCADE")
            yield cursor

    def test_they_stand_after_every_migration(self, db: None) -> None:
        assert trigrams.missing(connection) == []

    def test_what_is_missing_is_put_in_place_again(self, without: Any) -> None:
        assert len(trigrams.missing(connection)) == len(trigrams.INDEXES)
        trigrams.install()
        assert trigrams.missing(connection) == []

    def test_a_role_that_may_not_add_the_extension_goes_on_without(self, without: Any, cast: Cast) -> None:
        without.execute("CREATE ROLE may_add_nothing; SET LOCAL ROLE may_add_nothing")
        trigrams.install()
        without.execute("RESET ROLE")
        assert len(trigrams.missing(connection)) == len(trigrams.INDEXES)
        assert reverse("pages:heater", args=[cast.heater.pk]) in page_of(cast, "-1")

    def test_doctor_says_that_they_are_missing_and_how_to_mend_it(self, without: Any) -> None:
        out = StringIO()
        with pytest.raises(SystemExit):
            call_command("doctor", json=True, stdout=out)
        [one] = [row for row in json.loads(out.getvalue()) if "part of a word" in row["words"]]
        assert (one["state"], "CREATE EXTENSION pg_trgm" in one["mend"]) == ("doubtful", True)

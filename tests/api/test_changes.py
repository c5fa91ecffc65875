"""Keeping a copy up to date by cursor: whatever writes, nothing is missed, deletions are told, others' rows never."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from threading import Event
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.feed_triggers import VERY_MANY, install
from api.models import ChangedRow
from fleet.estate.models import Building, Membership, Position, Property
from fleet.estate.scope import unscoped
from fleet.heaters.models import Heater, ServiceRecord
from tests.api.conftest import Api, token_for
from tests.conftest import Cast, make_heater


class Copy:
    """What another program keeps: rows by kind and number, and the cursor."""

    def __init__(self, api: Api) -> None:
        self.api, self.cursor = api, ""
        self.rows: dict[tuple[str, int], Any] = {}

    def catch_up(self, limit: int = 500) -> list[dict[str, Any]]:
        told, more = [], True
        while more:
            after = f"&after={self.cursor}" if self.cursor else ""
            answer = self.api.read(f"changes?limit={limit}{after}")
            self.cursor, more = answer["cursor"], answer["more"]
            for one in answer["items"]:
                told.append(one)
                if one["gone"]:
                    self.rows.pop((one["kind"], one["id"]), None)
                else:
                    self.rows[one["kind"], one["id"]] = one["row"]
        return told


def test_the_first_answer_is_everything_and_the_next_is_nothing(api: Api, cast: Cast) -> None:
    copy = Copy(api)
    copy.catch_up(limit=2)
    assert copy.rows["heaters", cast.heater.pk] == api.read(f"heaters/{cast.heater.pk}")
    assert {kind for kind, _ in copy.rows} == {"properties", "buildings", "positions", "heaters"}
    assert ("heaters", cast.foreign_heater.pk) not in copy.rows
    assert copy.catch_up() == []


def test_after_very_many_changes_a_reader_is_led_through_them(
    api: Api, cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One answer gives out no more places than it can in its time; `more` says that others wait."""
    monkeypatch.setattr("api.feed.AT_A_TIME", 2)
    with unscoped("test"):
        for number in range(5):
            make_heater(cast.house, tag=f"M-{number}")
    first = api.read("changes?kinds=heaters")
    assert first["more"] and len(first["items"]) < 6
    copy = Copy(api)
    copy.catch_up()
    assert len([kind for kind, _ in copy.rows if kind == "heaters"]) == 6
    assert copy.catch_up() == []


def test_every_way_of_writing_is_told(api: Api, cast: Cast) -> None:
    copy = Copy(api)
    copy.catch_up()
    with unscoped("test"):
        Heater.objects.filter(pk=cast.heater.pk).update(notes="by hand")
        ServiceRecord.objects.bulk_create(
            [ServiceRecord(organisation=cast.house, heater=cast.heater, kind="flush")], ignore_conflicts=True
        )
    with connection.cursor() as cursor:
        cursor.execute("UPDATE estate_position SET room = 'raw' WHERE id = %s", [cast.position.pk])
    told = {(one["kind"], one["gone"]) for one in copy.catch_up()}
    assert told == {("heaters", False), ("service_records", False), ("positions", False)}
    assert copy.rows["positions", cast.position.pk]["room"] == "raw"
    with unscoped("test"):
        ServiceRecord.objects.all().delete()
    assert [(one["kind"], one["gone"], one["row"]) for one in copy.catch_up()] == [
        ("service_records", True, None)
    ]


def test_a_row_under_a_number_that_was_used_before_is_told_like_any_other(api: Api, cast: Cast) -> None:
    """As after a restored back-up: one of the numbers of a lot was seen before, the others never."""
    copy = Copy(api)
    values: dict[str, Any] = {"organisation": cast.house, "heater": cast.heater, "kind": "flush"}
    with unscoped("test"):
        gone = ServiceRecord.objects.create(**values)
        number = gone.pk
        gone.delete()
    copy.catch_up()
    numbers = [number + 50, number, number + 51]
    with unscoped("test"):
        ServiceRecord.objects.bulk_create(ServiceRecord(pk=one, **values) for one in numbers)
        ServiceRecord.objects.bulk_create([ServiceRecord(pk=number + 60, **values)])
    told = sorted((one["id"], one["gone"]) for one in copy.catch_up())
    assert told == [(one, False) for one in sorted([*numbers, number + 60])]


def _very_many(cast: Cast, count: int = VERY_MANY + 1) -> list[int]:
    days = [date(2000, 1, 1) + timedelta(days=number) for number in range(count)]
    with unscoped("test"):
        rows = ServiceRecord.objects.bulk_create(
            ServiceRecord(
                organisation=cast.house, heater=cast.heater, kind="flush", done_earliest=day, done_latest=day
            )
            for day in days
        )
    return [row.pk for row in rows]


def test_very_many_at_once_are_told_one_by_one(api: Api, cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    """Among them one that changed and one that went before anybody read."""
    monkeypatch.setattr("api.feed.OF_A_SPAN", 200)
    copy = Copy(api)
    copy.catch_up()
    numbers = _very_many(cast)
    with unscoped("test"):
        ServiceRecord.objects.filter(pk=numbers[3]).update(notes="changed")
        ServiceRecord.objects.filter(pk=numbers[5]).delete()
        written = ChangedRow.objects.filter(kind="service_records").count()
    assert written == (2 if connection.vendor == "postgresql" else len(numbers))
    copy.catch_up()
    there = {number for kind, number in copy.rows if kind == "service_records"}
    assert there == set(numbers) - {numbers[5]}
    assert copy.rows["service_records", numbers[3]]["notes"] == "changed"
    assert copy.catch_up() == []


def test_of_very_many_heaters_those_are_told_that_moved_away_before_anybody_read(cast: Cast) -> None:
    """A reader of one property has the heater from its list; to her it is gone, though no change told her of it yet."""
    member = Membership.objects.get(person=cast.technician)
    member.all_properties = False
    member.save()
    copy = Copy(Api(token_for(cast.technician)))
    with unscoped("test"):
        member.properties.set([cast.property])
        elsewhere = make_heater(cast.house, "Cedar Yard", "C-1").position
        copy.catch_up()
        places = Position.objects.bulk_create(
            Position(organisation=cast.house, building=cast.building, label=f"place {number}")
            for number in range(VERY_MANY + 1)
        )
        made = Heater.objects.bulk_create(
            Heater(organisation=cast.house, position=place, tag=place.label, kind="heat_pump")
            for place in places
        )
        moved, gone = made[3].pk, made[5].pk
        free = Position.objects.create(organisation=cast.house, building=elsewhere.building, label="free")
        Heater.objects.filter(pk=moved).update(position=free)
        Heater.objects.filter(pk=gone).delete()
        written = ChangedRow.objects.filter(kind="heaters", row_id__in=[one.pk for one in made]).count()
    assert written == (2 if connection.vendor == "postgresql" else len(made))
    assert (moved, True) in [(one["id"], one["gone"]) for one in copy.catch_up() if one["kind"] == "heaters"]
    there = {number for kind, number in copy.rows if kind == "heaters"}
    assert there == {cast.heater.pk, *(one.pk for one in made)} - {moved, gone}
    assert copy.catch_up() == []


def test_very_many_of_another_house_are_not_told(api: Api, cast: Cast) -> None:
    copy, theirs = Copy(api), Copy(Api(token_for(cast.outsider)))
    _very_many(cast)
    theirs.catch_up()
    assert not [kind for kind, _ in theirs.rows if kind == "service_records"]
    copy.catch_up()
    assert len([kind for kind, _ in copy.rows if kind == "service_records"]) == VERY_MANY + 1


def test_a_deleted_property_takes_its_rows_out_of_the_copy(api: Api, cast: Cast) -> None:
    copy = Copy(api)
    copy.catch_up()
    with unscoped("test"):
        Heater.objects.filter(pk=cast.heater.pk).delete()
        Property.objects.filter(pk=cast.property.pk).delete()
    copy.catch_up()
    assert copy.rows == {}


def test_a_reader_of_some_properties_is_told_of_those_and_of_what_left_them(cast: Cast) -> None:
    with unscoped("test"):
        other = make_heater(cast.house, "Cedar Yard", "C-1")
    member = Membership.objects.get(person=cast.technician)
    member.all_properties = False
    member.save()
    with unscoped("test"):
        member.properties.set([cast.property])
    copy = Copy(Api(token_for(cast.technician)))
    copy.catch_up()
    assert ("heaters", cast.heater.pk) in copy.rows
    assert ("heaters", other.pk) not in copy.rows
    with unscoped("test"):
        building = Building.objects.get(property__name="Cedar Yard")
        place = Position.objects.create(organisation=cast.house, building=building, label="new")
        Heater.objects.filter(pk=cast.heater.pk).update(position=place)
    told = copy.catch_up()
    assert [(one["kind"], one["id"], one["gone"]) for one in told] == [("heaters", cast.heater.pk, True)]
    with unscoped("test"):
        member.properties.add(building.property)
    answer = copy.api.get(f"changes?after={copy.cursor}")
    assert answer.status_code == 410
    assert "may see" in answer.json()["detail"]


@pytest.mark.parametrize("cursor", ["x", "bm8", "WzEsMl0"])
def test_what_is_no_cursor_is_said_to_be_none(api: Api, cursor: str) -> None:
    assert api.get(f"changes?after={cursor}").status_code == 400


def test_the_cursor_of_another_feed_leads_nowhere(api: Api, cast: Cast) -> None:
    theirs = Api(token_for(cast.outsider)).read("changes")["cursor"]
    assert api.get(f"changes?after={theirs}").status_code == 410


def test_triggers_that_a_migration_dropped_are_put_back_and_nothing_is_missed(api: Api, cast: Cast) -> None:
    copy = Copy(api)
    copy.catch_up()
    sql = "DROP TRIGGER feed_heaters_insert"
    with connection.cursor() as cursor:
        cursor.execute(sql if connection.vendor == "sqlite" else f"{sql} ON heaters_heater")
        for event in ("update", "delete"):
            sql = f"DROP TRIGGER feed_heaters_{event}"
            cursor.execute(sql if connection.vendor == "sqlite" else f"{sql} ON heaters_heater")
    with unscoped("test"):
        Heater.objects.filter(pk=cast.heater.pk).update(notes="unseen")
    install()
    copy.catch_up()
    assert copy.rows["heaters", cast.heater.pk]["notes"] == "unseen"


STEPS = st.lists(st.sampled_from(["add", "change", "drop", "read", "read one"]), max_size=20)


@given(steps=STEPS)
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_copy_is_always_the_record(api: Api, cast: Cast, steps: list[str]) -> None:
    from django.core.cache import cache

    cache.clear()
    copy = Copy(api)
    for number, step in enumerate(steps):
        with unscoped("test"):
            spare = Position.objects.filter(organisation=cast.house, heaters=None)
            if step == "add":
                Position.objects.create(organisation=cast.house, building=cast.building, label=str(uuid4()))
            elif step == "change":
                Position.objects.filter(organisation=cast.house).update(floor=str(number))
            elif step == "drop" and (last := spare.last()):
                last.delete()
        if step.startswith("read"):
            copy.catch_up(limit=1 if step == "read one" else 500)
    copy.catch_up()
    ours = {number: row for (kind, number), row in copy.rows.items() if kind == "positions"}
    assert ours == {row["id"]: row for row in api.read("positions")["items"]}


def test_the_list_of_changes_does_not_grow_with_their_number(api: Api, cast: Cast) -> None:
    with unscoped("test"):
        before = ChangedRow.objects.count()
        for number in range(20):
            Heater.objects.filter(pk=cast.heater.pk).update(notes=str(number))
        assert ChangedRow.objects.count() == before


@pytest.mark.services
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
@pytest.mark.django_db(transaction=True)
def test_a_row_that_somebody_holds_is_told_when_it_is_let_go(cast: Cast) -> None:
    """Nobody waits for who holds it; and since she leaves it as it was, no change of hers will tell of it."""
    copy = Copy(Api(token_for(cast.owner)))
    copy.catch_up()
    numbers = _very_many(cast)
    told, held = Event(), Event()

    def hold() -> None:
        try:
            with unscoped("test"), transaction.atomic():
                ServiceRecord.objects.filter(pk__in=numbers[7:9]).update(notes="not to stay")
                held.set()
                assert told.wait(60)
                transaction.set_rollback(True)
        finally:
            connection.close()

    with ThreadPoolExecutor(1) as pool:
        holding = pool.submit(hold)
        assert held.wait(60)
        copy.catch_up()
        before = {number for kind, number in copy.rows if kind == "service_records"}
        told.set()
        holding.result()
    assert before == set(numbers) - set(numbers[7:9])
    copy.catch_up()
    assert {number for kind, number in copy.rows if kind == "service_records"} == set(numbers)

"""Importing beside others and beside a large record: at the same time, and without reading what no row names."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import importing, services
from fleet.heaters.import_plan import Plan
from fleet.heaters.models import Heater, ImportBatch
from fleet.heaters.register import Place
from tests.conftest import Cast

DAY = date(2026, 11, 1)
HEAD = "Site,Bldg,Location,Tag,Type,Size,Installed,Removed"
SERVICE_HEAD = "Site,Bldg,Location,Tag,Work,Date"


@pytest.fixture
def kept_here(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "files"


def sheet(head: str, lines: list[tuple[str, ...]]) -> bytes:
    return "".join(f"{line}\n" for line in (head, *map(",".join, lines))).encode()


@pytest.mark.services
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
@pytest.mark.django_db(transaction=True)
def test_two_who_take_in_the_same_list_at_once_make_each_heater_once(
    cast: Cast, kept_here: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have compared before either writes; the later one finds the rows of the other in its way."""
    lines = [("Willow Bend", "1", f"Closet {number}", f"W-{number}", "HP", "50", "", "") for number in (1, 2)]
    gate, mine, write = threading.Barrier(2, timeout=30), threading.local(), services.take

    def when_both_have_compared(plan: Plan, batch: ImportBatch) -> None:
        if not hasattr(mine, "compared"):
            mine.compared = True
            gate.wait()
        write(plan, batch)

    def take_in(content: bytes) -> dict[str, int]:
        try:
            with scoped(scope_of_organisation(cast.house)):
                return services.accept(services.keep_file(content, "list.csv", cast.house.pk), DAY).counts
        finally:
            connection.close()

    monkeypatch.setattr(services, "take", when_both_have_compared)
    with ThreadPoolExecutor(2) as pool:
        counts = list(pool.map(take_in, [sheet(HEAD, lines), sheet(HEAD, lines[::-1])]))
    assert sorted((one["new"], one["same"], one["refused"]) for one in counts) == [(0, 2, 0), (2, 0, 0)]
    with scoped(scope_of_organisation(cast.house)):
        assert Heater.objects.filter(tag__startswith="W-").count() == 2


@pytest.mark.services
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite keeps no such counts")
def test_the_database_plans_for_the_tables_as_they_are_after_a_long_list(
    in_house: Cast, kept_here: None
) -> None:
    lines = [
        ("Willow Bend", "1", f"Closet {number}", f"W-{number}", "HP", "50", "", "") for number in range(1500)
    ]
    services.accept(services.keep_file(sheet(HEAD, lines), "list.csv", in_house.house.pk), DAY)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT relname, reltuples FROM pg_class WHERE relname IN ('heaters_heater', 'estate_position')"
        )
        assert all(known >= 1500 for _, known in cursor.fetchall())


SITES, CLOSETS = (
    st.sampled_from(["Willow Bend", "Fir Row", "Elm Yard"]),
    st.sampled_from(["Closet 1", "Closet 2"]),
)
TAGS = st.sampled_from(["W-1", "W-2", "w-2", "W-3", "W-4", "Wé-5"])
KINDS, SIZES = st.sampled_from(["HP", "elec tank"]), st.sampled_from(["50", "65"])
DAYS = st.sampled_from(["", "2016", "2016-06-01", "2020-02-03"])
ON_RECORD = st.tuples(SITES, st.just("1"), CLOSETS, st.one_of(st.just(""), TAGS), KINDS, SIZES, DAYS, DAYS)
NAMED = st.tuples(SITES, st.sampled_from(["1", "2"]), CLOSETS, TAGS, KINDS, SIZES, DAYS, DAYS)
DONE = st.tuples(SITES, st.just("1"), CLOSETS, st.one_of(st.just(""), TAGS), st.just("flush"), DAYS)


def path(place: Place | None) -> tuple[str, ...]:
    return (*path(place.parent), place.name) if place else ()


def found(batch: ImportBatch) -> Any:
    """Everything that taking the file in would do and say."""
    comparison = services.held_against_record(batch, services.kept_book(batch), DAY)
    plan = comparison.plan
    return (
        services.summary(comparison),
        [(one.tag, one.columns, path(one.position)) for one in plan.new_heaters],
        [(one.heater.pk, one.changes, path(one.moved_from)) for one in plan.changed_heaters],
        [(one.heater.pk, one.columns) for one in plan.new_services],
        {kind: [path(place) for place in places] for kind, places in plan.register.new_places.items()},
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(ON_RECORD, max_size=8),
    st.one_of(
        st.builds(sheet, st.just(HEAD), st.lists(NAMED, min_size=1, max_size=6)),
        st.builds(sheet, st.just(SERVICE_HEAD), st.lists(DONE, min_size=1, max_size=6)),
    ),
)
def test_a_file_finds_the_same_whether_all_of_the_record_is_read_or_what_it_names(
    in_house: Cast, kept_here: None, before: list[tuple[str, ...]], content: bytes
) -> None:
    with transaction.atomic():
        number = in_house.house.pk
        if before:
            services.accept(services.keep_file(sheet(HEAD, before), "before.csv", number), DAY)
        batch = services.keep_file(content, "now.csv", number)
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(importing, "_named", lambda readings: None)
            whole = found(batch)
        assert found(batch) == whole
        transaction.set_rollback(True)

"""What is due is counted once and kept: after whatever happened to the tasks, kept and counted now are the same."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from random import Random

import pytest
from django.core.management import call_command
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from fleet.care import due_sums, selectors, services, visits
from fleet.care.due_list import OVERDUE, PRESSING, due_list
from fleet.care.models import DueMark, DueSum, Task
from fleet.estate import kept_sums
from fleet.estate.calendar import day_of
from fleet.estate.models import Building, Property
from fleet.estate.scope import Level, Reach, Scope, scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater
from fleet.operating.doctor import examine
from tests.conftest import Cast, make_heater

DAY = date(2026, 6, 1)
VERBS = (
    "skip",
    "move",
    "visit",
    "end",
    "erase",
    "take back",
    "move building",
    "next day",
    "roll",
    "count",
    "count",
)


def count_all() -> None:
    while due_sums.recount():
        pass


def same(scope: Scope) -> None:
    """Every order, horizon and leaf of the list against a count of the tasks as they are now."""
    with scoped(scope):
        today = DAY if scope.everything else day_of(Property.objects.all()[0].organisation)
        for days in (14, 60, 365, 45):
            now = selectors.due_counts(today, days)
            for order, key in ((PRESSING, "pressing"), (OVERDUE, "overdue")):
                found = due_list(today, days, order=order)
                wanted = sorted(now, key=lambda row: getattr(row, key)())
                assert found[0 : len(found)] == wanted
                assert [row for at in range(0, len(found), 2) for row in found[at : at + 2]] == wanted
            sums = [sum(getattr(row, name) for row in now) for name in ("tasks", "late", "minutes")]
            assert [len(found), found.tasks, found.late, found.minutes] == [len(now), *sums]
            by_property = found.by_property()
            assert set(by_property) == {row.property_id for row in now}
            for number, one in by_property.items():
                mine = [row for row in now if row.property_id == number]
                assert one.tasks == sum(row.tasks for row in mine)
                assert one.minutes == sum(row.minutes for row in mine)
                assert one.earliest == min(row.earliest for row in mine)


def scopes(cast: Cast) -> list[Scope]:
    with unscoped("properties of the test"):
        mine = list(
            Property.objects.filter(organisation=cast.house).order_by("id").values_list("id", flat=True)
        )
    own = cast.house.pk
    return [
        scope_of_organisation(cast.house),
        Scope((Reach(own, frozenset(mine[:1])),)),
        Scope((Reach(cast.other_house.pk), Reach(own, frozenset(mine[1:]), Level.WORK))),
    ]


@pytest.fixture
def houses(cast: Cast) -> Cast:
    for house in (cast.house, cast.other_house):
        house.calendar_stands_at = DAY
        house.save()
    with scoped(scope_of_organisation(cast.house)):
        for number, name in enumerate(("Cedar Yard", "Elm Court", "Fir Hill", "Alder Court")):
            made = DAY - timedelta(days=900 * number + 40)
            make_heater(cast.house, name, f"S-{number}", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house, DAY - timedelta(days=500))
        services.roll_forward(cast.house, DAY)
    with scoped(scope_of_organisation(cast.other_house)):
        services.roll_forward(cast.other_house, DAY)
    return cast


def act(cast: Cast, verb: str, number: int) -> None:
    if verb == "count":
        count_all()
        return
    with scoped(scope_of_organisation(cast.house)):
        today = day_of(cast.house)
        tasks = list(Task.objects.filter(state="open", heater__ending="").order_by("id"))
        task = tasks[number % len(tasks)] if tasks else None
        heaters = list(Heater.objects.order_by("id"))
        if verb == "skip" and task:
            services.skip_task(task, "a test", today)
        elif verb == "move" and task:
            services.override_due(task, today + timedelta(days=number - 100), "a test")
        elif verb == "visit" and task:
            visits.visit_on(task.building, today)
        elif verb == "take back":  # mended by hand, past every verb
            Task.objects.filter(state="skipped").order_by("id").delete()
        elif verb == "erase" and len(heaters) > 3:
            heaters[number % len(heaters)].delete()
        elif verb == "end":
            gone = {"ending": "tank_leak", "removed_precision": "unknown"}
            Heater.objects.filter(pk=heaters[number % len(heaters)].pk).update(**gone)
        elif verb == "move building":
            buildings = list(Building.objects.order_by("id"))
            moved = buildings[number % len(buildings)]
            new, _ = Property.objects.get_or_create(organisation=cast.house, name=f"New {number}")
            Building.objects.filter(pk=moved.pk).update(property=new)
        elif verb == "next day":
            cast.house.calendar_stands_at = today + timedelta(days=1)
            cast.house.save()
        elif verb == "roll":
            services.roll_forward(cast.house)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=some.lists(some.tuples(some.sampled_from(VERBS), some.integers(0, 400)), max_size=12))
def test_kept_is_counted_whatever_happened(houses: Cast, steps: list[tuple[str, int]]) -> None:
    for verb, number in steps:
        act(houses, verb, number)
        for scope in scopes(houses):
            same(scope)
    assert kept_sums.wrong(due_sums.KEPT, 200) == []


def test_once_counted_the_tasks_are_not_read_again(houses: Cast) -> None:
    count_all()
    with scoped(scope_of_organisation(houses.house)):
        with CaptureQueriesContext(
            connection,
        ) as asked:
            rows = due_list(DAY)
            assert rows[0:10] and rows.tasks
        assert not any("care_task" in query["sql"] for query in asked.captured_queries)
        assert len(asked) <= 5
        Task.objects.filter(state="open")[0].delete()
        assert DueMark.objects.count() == 1
        assert due_list(DAY).tasks == rows.tasks - 1


def test_what_bears_on_no_sum_marks_nothing(houses: Cast) -> None:
    count_all()
    with scoped(scope_of_organisation(houses.house)):
        row = Task.objects.filter(state="open")[0]
        row.caution = "mind the step"
        row.save()
        assert not DueMark.objects.exists()
        row.due_on += timedelta(days=1)
        row.save()
        assert list(DueMark.objects.values_list("building_id", flat=True).distinct()) == [row.building_id]


def test_a_building_marked_many_times_is_counted_once(houses: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    count_all()
    monkeypatch.setattr(kept_sums, "MARKS_AT_ONCE", 1)
    with scoped(scope_of_organisation(houses.house)):
        for days in (1, 2, 3):
            row = Task.objects.filter(state="open", building=houses.building)[0]
            row.due_on += timedelta(days=days)
            row.save()
        assert due_sums.recount()
        assert not DueMark.objects.exists()


def test_a_sum_put_wrong_by_hand_is_found_by_the_doctor(houses: Cast) -> None:
    count_all()
    said = [one for one in examine() if one.part == "kept sums"]
    assert [one.state for one in said] == ["good"]
    with unscoped("spoiling a kept sum"):
        DueSum.objects.filter(pk=DueSum.objects.order_by("pk")[0].pk).update(late=77)
    said = [one for one in examine() if one.part == "kept sums"]
    assert [one.state for one in said] == ["bad"] and "1 building" in said[0].words
    call_command("count_again")
    assert [one.state for one in examine() if one.part == "kept sums"] == ["good"]


def test_a_release_that_changes_the_minutes_counts_anew(houses: Cast) -> None:
    count_all()
    with unscoped("as an older release left it"):
        DueSum.objects.update(counted_by="before", tasks_60=9999)
    same(scope_of_organisation(houses.house))
    count_all()
    with unscoped("looking at all"):
        assert not DueSum.objects.filter(counted_by="before").exists()


@pytest.mark.services
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
@pytest.mark.django_db(transaction=True)
def test_changes_and_counts_at_the_same_time_leave_no_false_sum(houses: Cast) -> None:
    """Two who change tasks in transactions of several steps, two who count, and one who looks, all at once."""
    count_all()
    with unscoped("tasks of all"):
        numbers = list(Task.objects.filter(state="open").order_by("id").values_list("id", flat=True))
    working = [True]

    def change(seed: int) -> None:
        chance = Random(seed)
        with unscoped("changing at random"):
            for _ in range(100):
                with transaction.atomic():
                    # In the order of their numbers, as the verbs lock them.
                    for number in sorted(chance.sample(numbers, 2)):
                        due_on = DAY + timedelta(days=chance.randint(-90, 400))
                        Task.objects.filter(pk=number).update(due_on=due_on)

    def count() -> None:
        while working:
            due_sums.recount()

    def closing(work: Callable[..., None], *given: int) -> None:
        try:
            work(*given)
        finally:
            connection.close()

    found: list[int] = []
    with ThreadPoolExecutor(4) as pool:
        counting = [pool.submit(closing, count) for _ in range(2)]
        changing = [pool.submit(closing, change, seed) for seed in (1, 2)]
        while not all(one.done() for one in changing):
            found += kept_sums.wrong(due_sums.KEPT, 200)
        working.clear()
        for one in (*changing, *counting):
            one.result()
    assert found == []
    same(scope_of_organisation(houses.house))
    count_all()
    same(scope_of_organisation(houses.house))
    assert kept_sums.wrong(due_sums.KEPT, 200) == []

"""What is of no use any more goes after its time; the record, its history and what is still open stay."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.db import connection
from django.utils import timezone

from fleet.care.models import Task
from fleet.estate import background
from fleet.estate.models import HistoryEntry, Job
from fleet.estate.scope import unscoped
from fleet.operating import tidying
from fleet.planning.models import CapitalPlan, ForecastRun, HeaterOutlook
from tests.conftest import Cast


def job(cast: Cast, state: str, days: int) -> int:
    ended = timezone.now() - timedelta(days=days)
    made = Job.objects.create(
        organisation=cast.house, kind="roll_forward", state=state, run_after=ended, finished_at=ended
    )
    return int(made.pk)


def tidy(cast: Cast) -> None:
    background.enqueue("tidy up", {}, cast.house.pk)
    assert background.run_next()


@pytest.mark.parametrize(("state", "days", "stays"), [
    ("done", 91, False), ("cancelled", 91, False), ("done", 89, True), ("given_up", 400, True), ("waiting", 0, True),
])  # fmt: skip
def test_finished_jobs_go_after_ninety_days(in_house: Cast, state: str, days: int, stays: bool) -> None:
    number = job(in_house, state, days)
    if state == "waiting":
        Job.objects.filter(pk=number).update(run_after=timezone.now() + timedelta(days=1), finished_at=None)
    tidy(in_house)
    assert Job.objects.filter(pk=number).exists() is stays


def test_many_go_in_small_steps_and_another_house_is_left_alone(
    in_house: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tidying, "ROWS_AT_A_TIME", 2)
    for _ in range(5):
        job(in_house, "done", 100)
    with unscoped("a job of the other house"):
        old = timezone.now() - timedelta(days=100)
        other = Job.objects.create(
            organisation=in_house.other_house,
            kind="roll_forward",
            state="done",
            run_after=old,
            finished_at=old,
        )
    tidy(in_house)
    assert Job.objects.count() == 1
    with unscoped("looking at the other house"):
        assert Job.objects.filter(pk=other.pk).exists()


def test_sessions_that_ran_out_go_and_history_stays(in_house: Cast) -> None:
    in_house.client(in_house.owner)
    ran_out = in_house.client(in_house.planner).session.session_key
    Session.objects.filter(pk=ran_out).update(expire_date=timezone.now() - timedelta(days=1))
    entry = HistoryEntry.objects.create(
        organisation=in_house.house,
        actor="test",
        verb="changed",
        subject_kind="heater",
        subject_id=1,
        subject_label="H",
    )
    tidy(in_house)
    assert not Session.objects.filter(pk=ran_out).exists()
    assert Session.objects.count() == 1
    assert HistoryEntry.objects.filter(pk=entry.pk).exists()


def run(cast: Cast, days: int) -> ForecastRun:
    """A forecast made so many days ago, with the chances of one heater."""
    made = timezone.now() - timedelta(days=days)
    row = ForecastRun.objects.create(
        organisation=cast.house, as_of=made.date(), state="done", result={"years": []}, finished_at=made
    )
    HeaterOutlook.objects.create(
        organisation=cast.house, run=row, heater=cast.heater, rank=1, age_years=9, age_known=True,
        p_fail_12_months=0.1, p_fail_36_months=0.3, remaining_life_p10_years=1, remaining_life_median_years=4,
        remaining_life_p90_years=9, planned_cost=1500, emergency_cost=2500,
    )  # fmt: skip
    return row


def test_single_heaters_of_old_forecasts_go_but_not_of_the_one_in_use_nor_under_a_plan(
    in_house: Cast,
) -> None:
    planned, old, young, in_use = (run(in_house, days) for days in (300, 200, 89, 0))
    CapitalPlan.objects.create(organisation=in_house.house, run=planned, cap=10_000)
    tidy(in_house)
    left = set(HeaterOutlook.objects.values_list("run_id", flat=True))
    assert left == {planned.pk, young.pk, in_use.pk}
    assert ForecastRun.objects.filter(pk=old.pk, result={"years": []}).exists()


def test_the_forecast_in_use_keeps_its_heaters_however_old_it_is(in_house: Cast) -> None:
    only = run(in_house, 500)
    tidy(in_house)
    assert HeaterOutlook.objects.filter(run=only).count() == 1


def test_the_database_is_told_how_large_its_tables_are(in_house: Cast) -> None:
    """Without it SQLite reads all open tasks of a house where those of one heater are asked for."""
    Task.objects.create(
        organisation=in_house.house, heater=in_house.heater, kind="flush", due_on="2026-01-01", rule="x", reason="x"
    )  # fmt: skip
    known = {
        "sqlite": "SELECT COUNT(*) FROM sqlite_stat1 WHERE tbl = 'care_task'",
        "postgresql": "SELECT reltuples FROM pg_class WHERE relname = 'care_task'",
    }
    tidy(in_house)
    with connection.cursor() as cursor:
        cursor.execute(known[connection.vendor])
        [number] = cursor.fetchone() or (0,)
    assert number > 0

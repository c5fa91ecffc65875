"""A job is a row: claimed once, safe when lost, tried again a few times, then given up where people see it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from fleet.estate import background
from fleet.estate.acting import Acting
from fleet.estate.background import Running, enqueue, register, run_next, work_off
from fleet.estate.models import Job
from fleet.estate.scope import current_scope, unscoped
from tests.conftest import Cast

State = Job.State


@pytest.fixture
def done() -> Iterator[list[Any]]:
    seen: list[Any] = []

    @register("test_note", for_whom=Acting.ORGANISATION)
    def note(job: Running) -> dict[str, int]:
        seen.append((job.payload["n"], current_scope().reaches[0].organisation_id))
        return {"n": job.payload["n"]}

    @register("test_fail", for_whom=Acting.ORGANISATION)
    def fail(job: Running) -> None:
        raise ValueError("no such tank")

    @register("test_stop", for_whom=Acting.ORGANISATION)
    def stop(job: Running) -> None:
        background.cancel(job.row)
        job.report(0.5, "half way")
        seen.append("went on")

    yield seen
    for kind in ("test_note", "test_fail", "test_stop"):
        background._work.pop(kind)


def test_a_job_runs_once_in_its_organisations_scope(in_house: Cast, done: list[Any]) -> None:
    job = enqueue("test_note", {"n": 7}, in_house.house.pk)
    assert work_off() == 1
    assert work_off() == 0
    assert done == [(7, in_house.house.pk)]
    job.refresh_from_db()
    assert (job.state, job.result, job.fraction) == (State.DONE, {"n": 7}, 1)


def test_an_open_job_of_the_same_key_is_not_doubled(in_house: Cast, done: list[Any]) -> None:
    first = enqueue("test_note", {"n": 1}, in_house.house.pk, unique_key="day")
    assert enqueue("test_note", {"n": 2}, in_house.house.pk, unique_key="day").pk == first.pk


def test_a_failing_job_is_tried_three_times_then_given_up_and_can_be_tried_again(
    in_house: Cast, done: list[Any]
) -> None:
    job = enqueue("test_fail", {}, in_house.house.pk)
    for _ in range(background.MAX_ATTEMPTS):
        Job.objects.update(run_after=timezone.now() - timedelta(seconds=1))
        assert run_next()
    assert not run_next()
    job.refresh_from_db()
    assert (job.state, job.error) == (State.GIVEN_UP, "ValueError: no such tank")
    background.try_again(job)
    assert run_next()


def test_a_job_of_a_lost_worker_is_taken_over_after_its_lease(in_house: Cast, done: list[Any]) -> None:
    enqueue("test_note", {"n": 3}, in_house.house.pk)
    with unscoped("playing a worker that dies"):
        lost = background._claim()
    assert lost is not None
    assert not run_next()
    Job.objects.update(claimed_until=timezone.now() - timedelta(seconds=1))
    assert run_next()
    background._finish(lost, state=State.GIVEN_UP)
    assert Job.objects.get().state == State.DONE


def test_a_job_called_off_stops_at_its_next_report(in_house: Cast, done: list[Any]) -> None:
    job = enqueue("test_stop", {}, in_house.house.pk)
    assert run_next()
    job.refresh_from_db()
    assert job.state == State.CANCELLED
    assert done == []


def test_unknown_work_is_refused_at_once(in_house: Cast) -> None:
    with pytest.raises(LookupError, match="brew_tea"):
        enqueue("brew_tea", {}, in_house.house.pk)


def test_a_job_that_runs_longer_than_its_kind_may_is_stopped(in_house: Cast, done: list[Any]) -> None:
    @register("test_endless", for_whom=Acting.ORGANISATION, limit_minutes=0.0005, attempts=1)
    def endless(job: Running) -> None:
        while True:
            pass

    try:
        job = enqueue("test_endless", {}, in_house.house.pk)
        assert run_next()
        job.refresh_from_db()
        assert (job.state, job.error.split(":")[0]) == (State.GIVEN_UP, "OutOfTime")
    finally:
        background._work.pop("test_endless")


def test_a_worker_of_one_queue_leaves_the_other_queues_work_alone(in_house: Cast, done: list[Any]) -> None:
    register("test_quick", for_whom=Acting.ORGANISATION, queue="alerts")(lambda job: None)
    try:
        enqueue("test_note", {"n": 1}, in_house.house.pk)
        enqueue("test_quick", {}, in_house.house.pk)
        assert run_next("alerts")
        assert not run_next("alerts")
        assert done == []
        assert run_next("heavy")
        assert not run_next("heavy")
    finally:
        background._work.pop("test_quick")

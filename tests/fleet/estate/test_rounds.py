"""What happens by itself: once an hour or a day in each organisation, each minute over all, by one process at a time."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import time_machine

from fleet.estate import background, leases, rounds
from fleet.estate.acting import Acting
from fleet.estate.background import Running, register
from fleet.estate.models import Job
from fleet.estate.scope import unscoped
from tests.conftest import Cast


@pytest.fixture
def hourly() -> Iterator[None]:
    @register("test_hourly", for_whom=Acting.ORGANISATION, every="hour")
    def hourly(job: Running) -> None:
        pass

    @register("test_changed", for_whom=Acting.ORGANISATION, on_change=True)
    def changed(job: Running) -> None:
        pass

    yield
    for kind in ("test_hourly", "test_changed"):
        background._work.pop(kind)


@pytest.fixture
def steps() -> Iterator[list[str]]:
    done: list[str] = []

    @rounds.each_minute("test broken")
    def broken() -> None:
        raise RuntimeError("the first sweep is broken")

    @rounds.each_minute("test counting")
    def counting() -> bool:
        done.append("step")
        return len(done) < 3

    yield done
    for name in ("test broken", "test counting"):
        rounds._sweeps.pop(name)


def asked(kind: str) -> list[tuple[int, str]]:
    with unscoped("looking at what was asked for"):
        return list(Job.objects.filter(kind=kind).order_by("id").values_list("organisation_id", "unique_key"))


def test_each_organisation_is_asked_once_an_hour_even_when_that_hours_job_is_done(
    cast: Cast, hourly: None
) -> None:
    houses = [cast.house.pk, cast.other_house.pk]
    with time_machine.travel("2026-03-08T09:30:00Z", tick=False) as clock:
        rounds.ask_for_rounds()
        background.work_off()
        rounds.ask_for_rounds()
        assert asked("test_hourly") == [(house, "2026-03-08T09") for house in houses]
        clock.move_to("2026-03-08T10:01:00Z")
        rounds.ask_for_rounds()
    assert len(asked("test_hourly")) == 4


def test_the_day_of_an_invented_record_stands_still(cast: Cast, hourly: None) -> None:
    cast.house.calendar_stands_at = "2026-01-31"
    cast.house.save()
    rounds.ask_for_rounds()
    assert (cast.house.pk, "2026-01-31") in asked("roll_forward")


def test_work_that_follows_the_record_is_asked_for_again_after_a_change(in_house: Cast, hourly: None) -> None:
    rounds.record_changed(in_house.house.pk)
    rounds.record_changed(in_house.house.pk)
    assert asked("test_changed") == [(in_house.house.pk, "record changed")]
    assert asked("test_hourly") == []


def test_a_broken_sweep_jams_no_other_and_one_with_more_goes_on_until_it_is_done(
    db: None, steps: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    assert rounds.run_sweep("test broken") is False
    assert "test broken" in caplog.text
    assert rounds.run_sweep("test counting") is False
    assert len(steps) == 3


def test_a_second_loop_does_not_run_the_same_sweep_until_the_next_minute(db: None, steps: list[str]) -> None:
    with time_machine.travel("2026-03-08T09:30:00Z", tick=False) as clock:
        rounds.run_sweep("test counting")
        rounds.run_sweep("test counting")
        assert len(steps) == 3
        clock.shift(60)
        rounds.run_sweep("test counting")
    assert len(steps) == 4


def test_a_sweep_whose_time_is_up_says_that_more_remains_and_may_go_on_at_once(
    db: None, steps: list[str]
) -> None:
    assert rounds.run_sweep("test counting", seconds=-1) is True
    assert rounds.run_sweep("test counting", seconds=60) is False
    assert len(steps) == 3


def test_a_lease_is_had_by_one_until_it_runs_out(db: None) -> None:
    with time_machine.travel("2026-03-08T09:30:00Z", tick=False) as clock:
        assert leases.take("a thing", 48)
        assert not leases.take("a thing", 48)
        assert leases.take("another thing", 48)
        clock.shift(48)
        assert leases.take("a thing", 48)
        leases.give_back("a thing")
        assert leases.take("a thing", 48)


def test_an_unknown_rhythm_or_queue_is_refused_where_it_is_written(db: None) -> None:
    with pytest.raises(ValueError, match="rhythm"):
        register("test_yearly", for_whom=Acting.ORGANISATION, every="year")
    with pytest.raises(ValueError, match="queue"):
        rounds.each_minute("test queue", queue="fast")

"""A page and a command show what runs, waits and was given up, and how old the oldest waiting row is."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from fleet import worker_watch
from fleet.estate import background, rounds
from fleet.estate.acting import Acting
from fleet.estate.models import HistoryEntry, Job, Lease
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.planning.models import ForecastRun
from tests.conftest import Cast


@pytest.fixture
def kinds() -> Iterator[None]:
    @background.register("test_work", for_whom=Acting.ORGANISATION, attempts=1)
    def work(job: Any) -> None:
        raise ValueError("no such tank")

    yield
    background._work.pop("test_work")


def ask(cast: Cast) -> Job:
    with scoped(scope_of_organisation(cast.house)):
        return background.enqueue("test_work", {}, cast.house.pk)


def said(*arguments: Any, **options: Any) -> str:
    out = StringIO()
    call_command("jobs", *arguments, stdout=out, **options)
    return out.getvalue()


def test_the_page_lists_ones_own_work_with_what_went_wrong(cast: Cast, kinds: None) -> None:
    ask(cast)
    background.work_off()
    page = cast.client(cast.technician).get(reverse("pages:jobs")).content.decode()
    assert "ValueError: no such tank" in page
    assert "given up: 1" in page
    assert "no such tank" not in cast.client(cast.outsider).get(reverse("pages:jobs")).content.decode()
    done = cast.client(cast.technician).get(reverse("pages:jobs"), {"state": "done"}).content.decode()
    assert "no such tank" not in done


def test_the_command_shows_retries_and_calls_off(cast: Cast, kinds: None) -> None:
    job = ask(cast)
    background.work_off()
    assert f"{job.pk} test_work" in said()
    said(retry=job.pk)
    said(cancel=job.pk)
    job = refreshed(job)
    assert job.state == Job.State.CANCELLED
    with pytest.raises(CommandError, match="no job number"):
        said(retry=job.pk + 1)


def refreshed(job: Job) -> Job:
    with unscoped("looking at a job"):
        row: Job = Job.objects.get(pk=job.pk)
    return row


def test_a_health_check_hears_of_rounds_that_nobody_holds_and_of_work_that_stands_still(
    cast: Cast, kinds: None
) -> None:
    with time_machine.travel("2026-03-08T09:30:00Z", tick=False) as clock:
        with pytest.raises(CommandError, match="ever"):
            said(check=True)
        rounds.hold_rounds()
        background.work_off()
        assert "All is well" in said(check=True)
        ask(cast)
        clock.shift(timedelta(hours=3))
        Lease.objects.update(heard_at=timezone.now())
        with pytest.raises(CommandError, match="oldest job"):
            said(check=True)


def test_a_health_check_beside_one_queue_s_worker_hears_of_that_queue_only(cast: Cast, kinds: None) -> None:
    with time_machine.travel("2026-03-08T09:30:00Z", tick=False) as clock:
        for queue in ("alerts", "heavy"):
            with pytest.raises(CommandError, match=f"queue {queue} was heard yet"):
                said(check=True, queue=queue)
        rounds.hold_rounds()
        background.work_off()
        ask(cast)
        clock.shift(timedelta(hours=3))
        Lease.objects.update(heard_at=timezone.now())
        assert "All is well" in said(check=True, queue="alerts")
        with pytest.raises(CommandError, match="oldest job"):
            said(check=True, queue="heavy")
        Lease.objects.filter(name="sweep sign of alerts").update(
            heard_at=timezone.now() - timedelta(minutes=11)
        )
        with pytest.raises(CommandError, match="queue alerts was heard since 2026-03-08 12:19 UTC"):
            said(check=True, queue="alerts")


def test_an_operator_sees_what_is_wrong_with_the_whole_installation(cast: Cast, kinds: None) -> None:
    assert "Nobody has held the rounds" not in page_of(cast)
    cast.owner.is_staff = True
    cast.owner.save()
    assert "Nobody has held the rounds" in page_of(cast)


def page_of(cast: Cast) -> str:
    return str(cast.client(cast.owner).get(reverse("pages:jobs")).content.decode())


@pytest.mark.parametrize(
    ("silent", "busy", "waiting", "stuck"),
    [(301, False, 1, True), (301, True, 1, False), (301, False, 0, False), (299, False, 9, False)],
)
def test_a_worker_is_stuck_only_when_it_is_silent_idle_and_work_waits(
    silent: float, busy: bool, waiting: int, stuck: bool
) -> None:
    assert worker_watch.is_stuck(silent, busy, waiting) is stuck


def refresh(cast: Cast) -> dict[str, Any]:
    with scoped(scope_of_organisation(cast.house)):
        job = background.enqueue("refresh_forecast", {}, cast.house.pk)
        while refreshed(job).state == "waiting":
            background.run_next()
    return dict(refreshed(job).result)


def test_the_forecast_is_made_anew_only_when_the_record_changed_enough(cast: Cast) -> None:
    assert refresh(cast)["asked"] is False
    with scoped(scope_of_organisation(cast.house)):
        run = ForecastRun.objects.create(
            organisation=cast.house, as_of=timezone.now().date(), state="done", horizon_years=12
        )
    assert refresh(cast)["because"] == "the record has hardly changed"
    with scoped(scope_of_organisation(cast.house)):
        for _ in range(5):
            HistoryEntry.objects.create(
                organisation=cast.house, verb="edited", subject_kind="heater", subject_id=1
            )
    answer = refresh(cast)
    assert answer["because"] == "5 changes of the record"
    with scoped(scope_of_organisation(cast.house)):
        again = ForecastRun.objects.get(pk=answer["run_id"])
    assert (again.horizon_years, again.pk != run.pk) == (12, True)

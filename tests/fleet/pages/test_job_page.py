"""Long work shows its progress, survives a closed browser, can be called off and tried again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.urls import reverse

from fleet.estate import background
from fleet.estate.acting import Acting
from fleet.estate.models import Job
from fleet.estate.scope import scope_of_organisation, scoped
from tests.conftest import Cast


@pytest.fixture
def job(cast: Cast) -> Iterator[Job]:
    background.register("counting", for_whom=Acting.ORGANISATION)(lambda running: {"counted": 3})
    with scoped(scope_of_organisation(cast.house)):
        row = background.enqueue("counting", {}, cast.house.pk)
    yield row
    background._work.pop("counting")


def set_to(cast: Cast, job: Job, **fields: Any) -> None:
    with scoped(scope_of_organisation(cast.house)):
        Job.objects.filter(pk=job.pk).update(**fields)


def page(cast: Cast, job: Job) -> str:
    answer = cast.client(cast.technician).get(reverse("pages:job", args=[job.pk]))
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_it_says_what_it_does_in_plain_words_on_the_list_and_on_its_page(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        row = background.enqueue("roll_forward", {}, cast.house.pk)
    for address in (reverse("pages:jobs"), reverse("pages:job", args=[row.pk])):
        shown = cast.client(cast.technician).get(address).content.decode()
        assert "Work list brought up to the day" in shown
        assert "which care is due at each heater" in shown
        assert "roll forward" not in shown


def test_open_work_looks_again_by_itself_and_says_how_far_it_is(cast: Cast, job: Job) -> None:
    assert 'id="under-way"' in page(cast, job)
    set_to(cast, job, state="running", fraction=0.42, words="Reading row 420")
    shown = page(cast, job)
    assert "42 %" in shown
    assert "Reading row 420" in shown


def test_without_scripts_a_link_looks_again(cast: Cast, job: Job) -> None:
    address = reverse("pages:job", args=[job.pk])
    assert f'<a href="{address}">Look again now</a>' in page(cast, job)


def test_finished_work_stops_looking_and_shows_what_came_of_it(cast: Cast, job: Job) -> None:
    background.work_off()
    shown = page(cast, job)
    assert "under-way" not in shown
    assert "counted" in shown


def test_waiting_work_can_be_called_off_and_tried_again(cast: Cast, job: Job) -> None:
    client = cast.client(cast.technician)
    client.post(reverse("pages:cancel_job", args=[job.pk]))
    assert "Called off" in page(cast, job)
    client.post(reverse("pages:try_job_again", args=[job.pk]))
    assert "Waiting" in page(cast, job)
    assert background.work_off() == 1


def test_given_up_work_says_why(cast: Cast, job: Job) -> None:
    set_to(cast, job, state="given_up", attempts=3, error="ValueError: no heater <b>")
    shown = page(cast, job)
    assert "no heater &lt;b&gt;" in shown
    assert "Try again" in shown


def test_work_of_another_house_does_not_exist(cast: Cast, job: Job) -> None:
    client = cast.client(cast.outsider)
    assert client.get(reverse("pages:job", args=[job.pk])).status_code == 404
    assert client.post(reverse("pages:cancel_job", args=[job.pk])).status_code == 404


def test_a_finished_one_shows_what_it_says_without_numbers_of_rows(cast: Cast, job: Job) -> None:
    set_to(cast, job, state="done", result={"counted": 3, "report_id": 7419, "state": "done", "error": ""})
    shown = page(cast, job)
    assert "<dt>counted</dt><dd>3</dd>" in shown
    assert "7419" not in shown
    assert "<dt>state</dt>" not in shown
    assert "<dt>error</dt>" not in shown

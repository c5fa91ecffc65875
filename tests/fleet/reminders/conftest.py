"""A mail server of our own, people with tasks due, and the minute's sweeps held by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
import time_machine

from fleet.care.models import Task
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater
from fleet.reminders import clocks, fan_out, sending
from tests.conftest import Cast
from tests.sinks import HookSink, MailSink, hook_sink, mail_sink

MORNING = "2026-03-09T15:30:00Z"  # Monday, 9:30 in Denver


@pytest.fixture
def mail(settings: Any) -> Iterator[MailSink]:
    with mail_sink() as sink:
        settings.MAIL_SET_UP = True
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", sink.port
        settings.DEFAULT_FROM_EMAIL = "Tank Almanac <almanac@almanac.example>"
        settings.ADDRESS = "https://almanac.example"
        yield sink


@pytest.fixture
def receiver(settings: Any) -> Iterator[HookSink]:
    with hook_sink() as sink:
        settings.HOOKS_TO_PRIVATE = True
        settings.MAIL_SET_UP = False
        yield sink


def add_task(heater: Heater, due_on: date, kind: str = "flush", **fields: Any) -> Task:
    values = {"rule": "interval", "reason": "12 months after the last one"} | fields
    with scoped(scope_of_organisation(heater.organisation_id)):
        task: Task = Task.objects.create(
            organisation_id=heater.organisation_id, heater=heater, kind=kind, due_on=due_on, **values
        )
    return task


@pytest.fixture
def due(cast: Cast) -> Cast:
    """The cast's house with one late and one due task, and the other house with one late task."""
    add_task(cast.heater, date(2026, 2, 1))
    add_task(cast.heater, date(2026, 3, 12), "anode_inspection")
    add_task(cast.foreign_heater, date(2026, 2, 1))
    return cast


@pytest.fixture
def clock(db: None) -> Iterator[Any]:
    """The moment stands still until the test moves it."""
    with time_machine.travel(MORNING, tick=False) as traveller:
        yield traveller


def one_minute() -> None:
    """What a minute's sweeps do, each to its end."""
    steps: list[Callable[[], bool]] = [
        fan_out.tell_next,
        fan_out.escalate_next,
        clocks.enrol_new,
        clocks.set_clocks,
        clocks.write_due_digests,
        lambda: sending.mail_some(urgent=True),
        sending.call_some,
        lambda: sending.mail_some(urgent=False),
    ]
    for step in steps:
        while step():
            pass


def people_mailed(sink: MailSink) -> list[str]:
    return sorted(address.partition("@")[0] for address, _ in sink.raw)


def house_of(cast: Cast) -> Organisation:
    return cast.house

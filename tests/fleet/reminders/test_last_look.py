"""The last look: what a person may see is asked once more in the transaction that says that her mail leaves."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.utils import timezone

from fleet.care import labels
from fleet.estate.models import Membership
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.reminders import clocks
from fleet.reminders.composing import Composer
from fleet.reminders.models import Delivery
from tests.conftest import Cast, make_heater
from tests.fleet.reminders.conftest import add_task, one_minute, people_mailed
from tests.fleet.reminders.test_digests import only_daily
from tests.sinks import MailSink


def after_writing(monkeypatch: pytest.MonkeyPatch, change: Callable[[], None]) -> None:
    """Makes a change once, when a mail has been written and has not left yet."""
    compose = Composer.compose
    done: list[bool] = []

    def compose_then_change(self: Composer, row: Delivery) -> Any:
        result = compose(self, row)
        if not done:
            done.append(True)
            change()
        return result

    monkeypatch.setattr(Composer, "compose", compose_then_change)


def limit_to_cedar_yard(cast: Cast) -> None:
    membership = Membership.objects.get(person=cast.technician)
    membership.all_properties = False
    membership.save()
    with scoped(scope_of_organisation(cast.house)):
        heater = make_heater(cast.house, "Cedar Yard", "C-1")
        add_task(heater, date(2026, 2, 1))
        membership.properties.set([heater.position.building.property])


def test_a_digest_of_what_she_may_see_no_more_is_written_anew(
    cast: Cast, mail: MailSink, clock: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_task(cast.heater, date(2026, 2, 1))
    only_daily(cast)
    one_minute()
    clock.move_to("2026-03-10T13:01:00Z")
    clocks.write_due_digests()
    after_writing(monkeypatch, lambda: limit_to_cedar_yard(cast))
    for _ in range(3):
        one_minute()
    texts = [one.get_body(("plain",)).get_content() for one in mail.parsed()]
    assert len(texts) == 1
    assert "Cedar Yard" in texts[0]
    assert "Alder Court" not in texts[0]


def test_an_alert_of_a_place_she_may_see_no_more_stays(
    cast: Cast, mail: MailSink, clock: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    Membership.objects.exclude(person=cast.technician).delete()
    with scoped(scope_of_organisation(cast.house, actor="someone at the label")):
        labels.report_leak(cast.heater, "water on the floor", timezone.now())
    after_writing(monkeypatch, lambda: limit_to_cedar_yard(cast))
    for _ in range(3):
        one_minute()
    assert people_mailed(mail) == []

"""Who hears of what, on a phone and on a desk: the inbox, wishes, sent and waiting, jobs, escalation, web hooks, calendar."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from icalendar import Calendar

from fleet.estate.background_rows import Job
from fleet.estate.happenings import announce
from fleet.estate.models import Happening
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import escalation, feed, hooks, preferences
from fleet.reminders.models import Correspondent, Delivery, EscalationRule, InboxNote, Preference, WebHook
from tests.browser.conftest import DESK, PHONE, accessibility_problems, sideways_overflow
from tests.conftest import Cast
from tests.fleet.reminders.conftest import add_task

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SHOTS = os.environ.get("REMINDER_SHOTS", "")
NOW = datetime(2026, 3, 9, 15, 30, tzinfo=UTC)


@pytest.fixture
def told(cast: Cast, settings: Any) -> Cast:
    """A house in which things have happened: alerts open and taken on, mails that went, did not go, or may have gone."""
    settings.MAIL_SET_UP, settings.HOOKS_TO_PRIVATE = True, True
    cast.house.calendar_stands_at = date(2026, 3, 9)
    cast.house.save()
    add_task(cast.heater, date(2026, 3, 12))
    add_task(cast.heater, date(2026, 2, 1), "anode_inspection")
    with scoped(scope_of_organisation(cast.house, actor="test")):
        for number, (kind, urgent, words) in enumerate(
            (
                ("leak_reported", True, "A leak was reported at heater H-1 in Alder Court, A, place of H-1."),
                ("unsafe_finding", True, "Unsafe at heater H-1: flue gas comes back into the room."),
                ("warranty_ends", False, "The warranty of heater H-1 in Alder Court, A ends on 3 May 2026."),
            )
        ):
            announce(
                kind, str(number), words, organisation_id=cast.house.pk, property_id=cast.property.pk,
                address=reverse("pages:heater", args=[cast.heater.pk]), urgent=urgent,
            )  # fmt: skip
        happened = list(Happening.objects.order_by("id"))
        InboxNote.objects.bulk_create(
            InboxNote(
                organisation=cast.house, person=person, property=cast.property, happening=one, created_at=NOW,
                escalated=one is happened[1],
            )
            for person in (cast.owner, cast.technician)
            for one in happened
        )  # fmt: skip
        Happening.objects.filter(pk=happened[1].pk).update(
            taken_on_at=NOW, taken_on_by=cast.planner, taken_on_words="Gas is off, fitter comes at four."
        )
        for number, (state, words) in enumerate(
            (
                ("sent", "250 taken"),
                ("uncertain", "The worker was lost while it was leaving."),
                ("given_up", "The mail server refused the message: 554 Not wanted"),
                ("waiting", "The mail server cannot be reached: ConnectionRefusedError [Errno 111]"),
            )
        ):
            Delivery.objects.create(
                organisation=cast.house, person=cast.technician, channel="mail", what=f"alert:{number}", urgent=True,
                happening=happened[0], due_on=NOW.date(), due_at=NOW, state=state, words=words, attempts=number,
                message_id=f"<{number}@almanac.example>", created_at=NOW,
            )  # fmt: skip
        hooks.add_hook(cast.house, "Front desk", "http://127.0.0.1:9/a-long-path/that/goes/on/and/on", [])
        hooks.add_hook(cast.house, "Old board", "http://127.0.0.1:9/old", ["leak_reported", "unsafe_finding"])
        WebHook.objects.filter(name="Old board").update(
            switched_off_at=NOW,
            switched_off_because="The receiver answered 410: it wants no more calls.",
        )
        escalation.add_rule(cast.house, cast.owner.pk, 30)
        escalation.add_rule(cast.house, cast.planner.pk, 90, "leak_reported", cast.property)
        values = {"organisation": cast.house, "run_after": NOW, "asked_by": cast.planner}
        for state, more in (
            ("done", {"finished_at": NOW, "fraction": 1}),
            ("running", {"fraction": 0.4, "words": "400 of 1,000 heaters"}),
            ("given_up", {"error": "OperationalError: the connection was lost", "attempts": 3}),
        ):
            Job.objects.create(kind="roll_forward", state=state, **values, **more)
    preferences.set_preference(cast.technician, cast.house, cast.property, {"rhythm": "weekly", "hour": 6})
    Correspondent.objects.filter(person=cast.technician).update(
        next_at=NOW + timedelta(days=1), next_on=NOW.date()
    )
    return cast


def pages_of(cast: Cast) -> dict[str, str]:
    with unscoped("addresses of a test"):
        running, given_up = (Job.objects.get(state=state).pk for state in ("running", "given_up"))
    return {
        "inbox": reverse("reminders:inbox"),
        "wishes": reverse("reminders:wishes"),
        "wish of a property": reverse("reminders:property_wish", args=[cast.property.pk]),
        "sent and waiting": reverse("reminders:deliveries"),
        "escalation": reverse("reminders:escalation"),
        "web hooks": reverse("reminders:hooks"),
        "jobs": reverse("pages:jobs"),
        "running job": reverse("pages:job", args=[running]),
        "given-up job": reverse("pages:job", args=[given_up]),
        "stop": reverse(
            "reminders:stop", args=[preferences.stop_token(cast.technician.pk, preferences.ALERTS)]
        ),
    }


def shot(page: Any, name: str) -> None:
    if SHOTS:
        page.screenshot(path=str(Path(SHOTS) / f"{name.replace(' ', '-')}.png"), full_page=True)


def test_they_fit_and_keep_the_rules_of_access(
    told: Cast, live_server: Any, signed_in: Callable[..., Any]
) -> None:
    page, problems = signed_in(told.owner), []
    for size, width, colours in ((PHONE, "phone", "light"), (DESK, "desk", "dark")):
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=colours)
        for name, address in pages_of(told).items():
            assert page.goto(live_server.url + address).status == 200, name
            if colours == "dark":  # the light ones are looked at wherever links lead (test_pages.py)
                problems += accessibility_problems(page)
            if sideways_overflow(page):
                problems.append(f"{name} is wider than the {width}")
            shot(page, f"{name} {width} {colours}")
            if SHOTS:
                page.emulate_media(color_scheme="dark" if colours == "light" else "light")
                shot(page, f"{name} {width} {'dark' if colours == 'light' else 'light'}")
                page.emulate_media(color_scheme=colours)
    assert problems == []


def test_a_technician_s_phone(told: Cast, live_server: Any, signed_in: Callable[..., Any]) -> None:
    """She acts on an alert, changes when she hears of things, and has her calendar."""
    page = signed_in(told.technician)
    page.set_viewport_size(PHONE)
    page.goto(live_server.url + reverse("reminders:inbox"))
    page.get_by_role("button", name="A leak was reported").click()
    page.get_by_text("You have taken it on.").wait_for()
    page.get_by_role("button", name="Mark all as read").click()
    page.get_by_text("All read.").wait_for()
    page.get_by_role("link", name="When and how you hear of things").click()
    page.get_by_label("Digest of what is due and late").select_option(label="once a week")
    page.get_by_label("Alerts too wait for the end of quiet hours").check()
    page.get_by_role("button", name="Keep", exact=True).click()
    page.get_by_text("Kept.").wait_for()
    page.get_by_role("button", name="As for all others").click()
    page.get_by_role("button", name="Send me a test mail").click()
    page.get_by_text("A test mail goes to technician@almanac.example").wait_for()
    page.get_by_role("button", name="Make an address").click()
    address = page.get_by_label("Put this where your calendar program asks").input_value()
    shot(page, "new calendar phone light")
    problems = accessibility_problems(page)
    answer = page.request.get(live_server.url + reverse("reminders:calendar", args=["x"]).split("/x.ics")[0]
                              + "/" + address.rpartition("/")[2])  # fmt: skip
    assert len(Calendar.from_ical(answer.text()).walk("VEVENT")) == 2
    with unscoped("looking at what the pages kept"):
        leak = Happening.objects.get(kind="leak_reported")
        kept = Preference.objects.get(person=told.technician)
        assert leak.taken_on_by == told.technician
        assert (kept.property, kept.rhythm, kept.alerts_wait) == (None, "weekly", True)
        assert Delivery.objects.filter(person=told.technician, what__startswith="test:").exists()
    assert feed.calendar_behind(address.rpartition("/")[2].removesuffix(".ics"))
    assert problems == []


def test_an_owner_s_desk(told: Cast, live_server: Any, signed_in: Callable[..., Any]) -> None:
    """What may have left is settled by a person; rules, web hooks and given-up work are hers."""
    page = signed_in(told.owner)
    page.goto(live_server.url + reverse("reminders:wishes"))
    page.get_by_role("link", name="Sent and waiting").click()
    page.get_by_role("link", name="uncertain whether it left: 1").click()
    page.get_by_role("button", name="It was sent").click()
    page.get_by_text("Done.").wait_for()
    page.get_by_role("link", name="given up: 1").click()
    page.get_by_role("button", name="Send again").click()
    page.get_by_role("link", name="waiting: 2").wait_for()

    page.goto(live_server.url + reverse("reminders:escalation"))
    page.get_by_label("Kind of alert").select_option(label="unsafe finding")
    page.get_by_label("When nobody acts, after how many minutes").fill("15")
    page.get_by_label("Tell").select_option(label="Planner")
    page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_role("rowheader", name="15 minutes").wait_for()
    page.get_by_role("button", name="Remove after 30 minutes").click()
    page.get_by_role("rowheader", name="30 minutes", exact=True).wait_for(state="detached")

    page.goto(live_server.url + reverse("reminders:hooks"))
    page.get_by_label("Name", exact=True).fill("Night desk")
    page.get_by_label("Address").fill("http://127.0.0.1:9/night")
    page.get_by_label("leak reported").check()
    page.get_by_role("button", name="Add", exact=True).click()
    assert page.get_by_label("Give this to the receiver").input_value().startswith("whsec_")
    problems = accessibility_problems(page)
    shot(page, "secret desk light")

    page.goto(live_server.url + reverse("pages:jobs"))
    page.get_by_role("link", name="given up: 1").click()
    page.get_by_role("link", name="Work list brought up to the day").click()
    page.get_by_role("button", name="Try again").click()
    page.get_by_text("Waiting for its turn").wait_for()
    with scoped(scope_of_organisation(told.house)):
        states = Delivery.objects.order_by("message_id").values_list("state", flat=True)
        assert list(states) == ["sent", "sent", "waiting", "waiting"]
        assert [rule.after_minutes for rule in EscalationRule.objects.all()] == [15, 90]
        assert WebHook.objects.get(name="Night desk").kinds == ["leak_reported"]
        assert sorted(Job.objects.values_list("state", flat=True)) == ["done", "running", "waiting"]
    assert problems == []

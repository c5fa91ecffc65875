"""The outbox: one row once, taken by one, committed before it leaves; nobody guesses what became of it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import outbox, post, sending
from fleet.reminders.composing import Composer
from fleet.reminders.models import Delivery
from fleet.reminders.outbox import ToTell
from tests import sinks
from tests.conftest import Cast
from tests.fleet.reminders.conftest import one_minute
from tests.sinks import MailSink

State = Delivery.State


def ask_for_a_test(cast: Cast, what: str = "test:1") -> None:
    now = timezone.now()
    outbox.write_down([ToTell(cast.house.pk, what, now.date(), now, urgent=True, person_id=cast.planner.pk)])


def only() -> Delivery:
    with unscoped("looking into the outbox"):
        row: Delivery = Delivery.objects.get(what__startswith="test")
    return row


def test_the_same_who_what_and_day_is_one_row(cast: Cast, mail: MailSink, clock: Any) -> None:
    ask_for_a_test(cast)
    first = only().message_id
    ask_for_a_test(cast)
    assert only().message_id == first
    one_minute()
    one_minute()
    assert len(mail.raw) == 1
    assert only().state == State.SENT
    assert mail.parsed()[0]["Message-ID"] == first


@pytest.mark.parametrize(
    ("way", "state", "again"),
    [
        (sinks.REFUSE_NOW, State.WAITING, True),
        (sinks.DROP_BEFORE, State.UNCERTAIN, False),
        (sinks.DROP_AFTER, State.UNCERTAIN, False),
        (sinks.REFUSE_FOR_GOOD, State.GIVEN_UP, False),
        (sinks.REFUSE_ADDRESS, State.GIVEN_UP, False),
    ],
)
def test_what_surely_did_not_go_goes_again_and_what_may_have_gone_does_not(
    cast: Cast, mail: MailSink, clock: Any, way: str, state: str, again: bool
) -> None:
    mail.behave = lambda: way
    ask_for_a_test(cast)
    one_minute()
    assert only().state == state
    taken = len(mail.raw)
    mail.behave = lambda: sinks.TAKE
    clock.shift(3600)
    one_minute()
    assert len(mail.raw) == taken + again


def test_pauses_grow_and_end_in_giving_up_where_people_see_it(cast: Cast, mail: MailSink, clock: Any) -> None:
    mail.behave = lambda: sinks.REFUSE_NOW
    ask_for_a_test(cast)
    waits = []
    for _ in range(outbox.MAX_ATTEMPTS):
        one_minute()
        waits.append(only().due_at - timezone.now())
        clock.shift(86_400)
    assert waits[:4] == [timedelta(minutes=4**step) for step in range(4)]
    assert (only().state, only().attempts) == (State.GIVEN_UP, outbox.MAX_ATTEMPTS)


def test_an_unreachable_mail_server_costs_one_row_a_try_and_the_rest_wait_untried(
    cast: Cast, mail: MailSink, clock: Any, settings: Any
) -> None:
    settings.EMAIL_PORT = sinks.free_port()
    for number in range(3):
        ask_for_a_test(cast, f"test:{number}")
    sending.mail_some(urgent=True)
    with unscoped("looking into the outbox"):
        assert sorted(Delivery.objects.values_list("attempts", flat=True)) == [0, 0, 1]
        assert set(Delivery.objects.values_list("state", flat=True)) == {State.WAITING}


def test_a_lost_worker_before_anything_left_costs_nothing(cast: Cast, mail: MailSink, clock: Any) -> None:
    ask_for_a_test(cast)
    assert len(outbox.take("mail", urgent=True, limit=5)) == 1
    one_minute()
    assert mail.raw == []
    clock.shift(outbox.taken_for().total_seconds() + 1)
    one_minute()
    assert len(mail.raw) == 1


def test_a_lost_worker_while_it_was_leaving_leaves_it_uncertain_and_never_sent_again_by_itself(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    ask_for_a_test(cast)
    [row] = outbox.take("mail", urgent=True, limit=5)
    assert outbox.begin(row)
    clock.shift(601)
    one_minute()
    clock.shift(86_400)
    one_minute()
    assert (only().state, mail.raw) == (State.UNCERTAIN, [])
    outbox.settle_sent(row, "250 Taken")  # the slow worker comes back after all
    assert only().state == State.SENT


def test_a_row_taken_over_by_another_worker_is_not_begun_by_the_first(cast: Cast, clock: Any) -> None:
    ask_for_a_test(cast)
    [first] = outbox.take("mail", urgent=True, limit=5)
    clock.shift(outbox.taken_for().total_seconds() + 1)
    [second] = outbox.take("mail", urgent=True, limit=5)
    assert not outbox.begin(first)
    assert outbox.begin(second)
    outbox.settle_not_told(first, "too late")
    assert only().state == State.SENDING


def test_a_row_that_loses_its_worker_each_time_is_given_up(cast: Cast, clock: Any) -> None:
    ask_for_a_test(cast)
    for _ in range(outbox.MAX_TAKEN):
        assert outbox.take("mail", urgent=True, limit=5)
        clock.shift(outbox.taken_for().total_seconds() + 1)
    assert outbox.take("mail", urgent=True, limit=5) == []
    assert only().state == State.GIVEN_UP


def test_an_error_of_the_program_before_it_left_is_tried_again(
    cast: Cast, mail: MailSink, clock: Any, monkeypatch: Any
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    with monkeypatch.context() as patched:
        patched.setattr(Composer, "compose", broken)
        ask_for_a_test(cast)
        one_minute()
    assert only().state == State.WAITING
    clock.shift(3600)
    one_minute()
    assert only().state == State.SENT


def test_an_error_of_the_program_after_it_began_is_uncertain(
    cast: Cast, mail: MailSink, clock: Any, monkeypatch: Any
) -> None:
    def broken(content: bytes) -> bytes:
        raise ZeroDivisionError

    monkeypatch.setattr(post, "_dotted", broken)
    ask_for_a_test(cast)
    one_minute()
    assert only().state == State.UNCERTAIN


def test_an_owner_says_what_became_of_an_uncertain_one(cast: Cast, mail: MailSink, clock: Any) -> None:
    mail.behave = lambda: sinks.DROP_BEFORE
    ask_for_a_test(cast)
    ask_for_a_test(cast, "test:2")
    one_minute()
    client = cast.client(cast.owner)
    with unscoped("looking into the outbox"):
        first, second = Delivery.objects.order_by("id")
    page = client.get(reverse("reminders:deliveries"), {"state": "uncertain"}).content.decode()
    assert page.count("Send again") == 2
    client.post(reverse("reminders:settle", args=[first.pk, "again"]))
    client.post(reverse("reminders:settle", args=[second.pk, "sent"]))
    mail.behave = lambda: sinks.TAKE
    one_minute()
    assert [message["Message-ID"] for message in mail.parsed()] == [first.message_id]
    with unscoped("looking into the outbox"):
        assert set(Delivery.objects.values_list("state", flat=True)) == {State.SENT}
        assert Delivery.objects.get(pk=second.pk).settled_by == str(cast.owner)


def test_a_sent_one_cannot_be_sent_again(cast: Cast, mail: MailSink, clock: Any) -> None:
    ask_for_a_test(cast)
    one_minute()
    with scoped(scope_of_organisation(cast.house)), pytest.raises(outbox.CannotSettle, match="sent by now"):
        outbox.send_again(only())


def test_only_owners_look_into_the_outbox_and_only_their_own(cast: Cast, mail: MailSink, clock: Any) -> None:
    ask_for_a_test(cast)
    address = reverse("reminders:deliveries")
    assert cast.client(cast.technician).get(address).status_code == 403
    assert "Planner" not in cast.client(cast.outsider).get(address).content.decode()
    other = cast.client(cast.outsider).post(reverse("reminders:settle", args=[only().pk, "leave"]))
    assert other.status_code == 404

"""Web hooks: signed, called once, again after growing pauses, never into private networks, switched off in the end."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.estate import outgoing
from fleet.estate.happenings import announce
from fleet.estate.models import Happening
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.reminders import hooks
from fleet.reminders.models import Delivery, WebHook
from tests.conftest import Cast
from tests.fleet.reminders.conftest import one_minute
from tests.sinks import HookSink, free_port


@pytest.fixture
def hook(cast: Cast, receiver: HookSink, clock: Any) -> WebHook:
    with scoped(scope_of_organisation(cast.house)):
        return hooks.add_hook(cast.house, "desk", receiver.url, [])


def happen(cast: Cast, key: str = "1", kind: str = "leak_reported") -> None:
    with scoped(scope_of_organisation(cast.house)):
        announce(kind, key, "Leak reported", organisation_id=cast.house.pk, property_id=cast.property.pk)


def only() -> Delivery:
    with unscoped("looking into the outbox"):
        row: Delivery = Delivery.objects.get(channel="hook")
    return row


def test_a_call_is_signed_so_that_the_receiver_can_check_it(
    cast: Cast, hook: WebHook, receiver: HookSink
) -> None:
    """Checked with the standard library as the Standard Webhooks specification words it, not with our own code."""
    happen(cast)
    one_minute()
    one_minute()
    [(headers, body)] = receiver.calls
    key = base64.b64decode(hooks.secret_of(hook).removeprefix("whsec_"))
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    expected = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    assert headers["webhook-signature"] == f"v1,{expected}"
    assert int(headers["webhook-timestamp"]) == int(timezone.now().timestamp())
    said = json.loads(body)
    assert (said["type"], said["data"]["property"]) == ("leak_reported", "Alder Court")
    assert only().state == "sent"


def test_the_specifications_own_example_of_a_signature() -> None:
    """Secret, id, time stamp, body and signature of the Standard Webhooks libraries' shared example; from memory."""
    signature = hooks.sign(
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        1614265330,
        b'{"test": 2432232314}',
    )
    assert signature == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_only_the_wanted_kinds_and_only_ones_own_house(cast: Cast, hook: WebHook, receiver: HookSink) -> None:
    with scoped(scope_of_organisation(cast.house)):
        WebHook.objects.update(kinds=["unsafe_finding"])
    happen(cast)
    with scoped(scope_of_organisation(cast.other_house)):
        announce("unsafe_finding", "1", "Unsafe", organisation_id=cast.other_house.pk)
    one_minute()
    assert receiver.calls == []


def test_an_error_goes_again_after_growing_pauses_under_the_same_id(
    cast: Cast, hook: WebHook, receiver: HookSink, clock: Any
) -> None:
    receiver.behave = lambda: 503
    happen(cast)
    waits = []
    for _ in range(3):
        one_minute()
        waits.append(only().due_at - timezone.now())
        clock.shift(waits[-1])
    assert waits == [timedelta(minutes=1), timedelta(minutes=4), timedelta(minutes=16)]
    receiver.behave = lambda: 200
    one_minute()
    assert len(receiver.calls) == 1
    with unscoped("looking"):
        assert WebHook.objects.get().failing_since is None


@pytest.mark.parametrize(("may_repeat", "state", "calls"), [(False, "uncertain", 1), (True, "sent", 2)])
def test_a_call_without_an_answer_is_uncertain_unless_the_receiver_drops_repeats(
    cast: Cast, hook: WebHook, receiver: HookSink, clock: Any, may_repeat: bool, state: str, calls: int
) -> None:
    with scoped(scope_of_organisation(cast.house)):
        WebHook.objects.update(may_repeat=may_repeat)
    receiver.behave = lambda: 0
    happen(cast)
    one_minute()
    receiver.behave = lambda: 200
    clock.shift(3600)
    one_minute()
    assert (only().state, len(receiver.calls)) == (state, calls)
    assert len({headers["webhook-id"] for headers, _ in receiver.calls}) == 1


def test_after_days_of_failing_it_is_switched_off_with_a_notice_to_the_owner(
    cast: Cast, hook: WebHook, receiver: HookSink, clock: Any
) -> None:
    receiver.behave = lambda: 500
    for day in range(5):
        happen(cast, str(day))
        one_minute()
        clock.shift(86_400)
    with unscoped("looking"):
        row = WebHook.objects.get()
        notice = Happening.objects.get(kind="hook_switched_off")
    assert row.switched_off_at is not None
    assert "Answered 500" in notice.sentence
    one_minute()
    page = cast.client(cast.owner).get(reverse("reminders:inbox")).content.decode()
    assert "The web hook desk was switched off" in page
    receiver.behave = lambda: 200
    clock.shift(86_400)
    one_minute()
    assert receiver.calls == []
    cast.client(cast.owner).post(reverse("reminders:hook", args=[row.pk, "on"]))
    happen(cast, "after")
    one_minute()
    assert len(receiver.calls) == 1


def test_a_receiver_that_says_gone_is_switched_off_at_once(
    cast: Cast, hook: WebHook, receiver: HookSink
) -> None:
    receiver.behave = lambda: 410
    happen(cast)
    one_minute()
    assert only().state == "given_up"
    with unscoped("looking"):
        assert WebHook.objects.get().switched_off_at is not None


@pytest.mark.parametrize(
    "url",
    [
        "https://127.0.0.1/hook",
        "https://localhost/hook",
        "https://[::1]/hook",
        "https://169.254.169.254/latest/meta-data",
        "https://10.1.2.3/hook",
        "https://[::ffff:192.168.1.1]/hook",
        "http://93.184.215.14/hook",
        "ftp://93.184.215.14/hook",
        "https://0x7f.1/hook",
    ],
)
def test_an_inner_address_is_refused_where_it_is_entered(cast: Cast, url: str) -> None:
    client = cast.client(cast.owner)
    answer = client.post(reverse("reminders:hooks"), {"name": "inner", "url": url})
    assert answer.status_code == 200
    assert "errorlist" in answer.content.decode()
    with unscoped("looking"):
        assert not WebHook.objects.exists()


def test_a_name_that_comes_to_lead_inward_later_is_refused_when_called(
    cast: Cast, hook: WebHook, receiver: HookSink, settings: Any
) -> None:
    settings.HOOKS_TO_PRIVATE = False
    happen(cast)
    one_minute()
    assert receiver.calls == []
    assert only().state == "given_up"


def test_a_redirect_inward_is_refused(
    cast: Cast, hook: WebHook, receiver: HookSink, settings: Any, monkeypatch: Any
) -> None:
    """The first address may be called, the one it leads on to may not."""
    settings.HOOKS_TO_PRIVATE = False
    monkeypatch.setattr(
        outgoing,
        "_one_call",
        lambda *asked: (
            outgoing.Answer(307, {"location": receiver.url})
            if "public" in asked[1]
            else pytest.fail("called")
        ),
    )
    with scoped(scope_of_organisation(cast.house)):
        WebHook.objects.update(url="https://public.example/hook")
    happen(cast)
    one_minute()
    assert (only().state, receiver.calls) == ("given_up", [])


def test_only_owners_manage_them_and_a_foreign_one_does_not_exist(cast: Cast, hook: WebHook) -> None:
    assert cast.client(cast.planner).get(reverse("reminders:hooks")).status_code == 403
    for verb in ("test", "renew", "remove", "on"):
        address = reverse("reminders:hook", args=[hook.pk, verb])
        assert cast.client(cast.outsider).post(address).status_code == 404


def test_a_dead_mail_server_holds_up_no_call_and_a_dead_receiver_no_other(
    cast: Cast, hook: WebHook, receiver: HookSink, settings: Any
) -> None:
    settings.MAIL_SET_UP, settings.EMAIL_HOST, settings.EMAIL_PORT = True, "127.0.0.1", free_port()
    with scoped(scope_of_organisation(cast.house)):
        hooks.add_hook(cast.house, "a dead one", f"http://127.0.0.1:{free_port()}/", [])
    for number in range(3):
        happen(cast, str(number))
    one_minute()
    assert len(receiver.calls) == 3
    with unscoped("looking"):
        dead = Delivery.objects.filter(hook__name="a dead one").order_by("id")
        assert [row.attempts for row in dead] == [1, 0, 0]


def test_three_days_of_failing_are_counted_from_the_first_failure_in_a_row(
    cast: Cast, hook: WebHook, receiver: HookSink, clock: Any
) -> None:
    for day in range(8):
        receiver.behave = lambda day=day: 200 if day == 2 else 500
        happen(cast, str(day))
        one_minute()
        with unscoped("looking"):
            assert (WebHook.objects.get().switched_off_at is not None) == (day >= 6), day
        clock.shift(86_400)

"""Mails as an outside parser of RFC 5322 reads them: two readable parts, one-click stop, nothing injected."""

from __future__ import annotations

from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from typing import Any

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.estate.happenings import announce
from fleet.estate.models import Person
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.reminders import preferences
from fleet.reminders.mail import CannotWrite, Words, one_line, write
from fleet.reminders.models import Correspondent, Delivery
from tests.conftest import Cast
from tests.fleet.reminders.conftest import one_minute, people_mailed
from tests.sinks import MailSink

HEADERS = {
    "Subject",
    "From",
    "To",
    "Date",
    "Message-ID",
    "Auto-Submitted",
    "List-Unsubscribe",
    "List-Unsubscribe-Post",
    "MIME-Version",
    "Content-Type",
}
NASTY = st.text(
    st.sampled_from(list('aä漢 :<>@,;"\\\r\n\t\0\x0b\x0c\x1c\x85\u2028\u2029')), min_size=0, max_size=60
) | st.just("Hi\r\nBcc: spy@evil.example\r\n\r\nbody")


def parsed(message: EmailMessage) -> Any:
    return BytesParser(policy=policy.SMTP).parsebytes(message.as_bytes(policy=policy.SMTP))


def announce_leak(cast: Cast, sentence: str) -> None:
    with scoped(scope_of_organisation(cast.house)):
        announce("leak_reported", sentence[:50], sentence, organisation_id=cast.house.pk)


@given(NASTY, NASTY)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_text_of_a_person_or_a_record_becomes_a_header(subject: str, name: str) -> None:
    person = Person(pk=7, email="planner@almanac.example", name=name)
    delivery = Delivery(message_id="<abc@almanac.example>")
    back = parsed(write(delivery, person, Words(subject, "test", {}, stops="digests")))
    assert set(back.keys()) == HEADERS
    assert back["To"].addresses[0].addr_spec == "planner@almanac.example"
    assert len(back["To"].addresses) == 1
    assert back["Subject"] == one_line(subject)
    assert not back.defects
    assert {part.get_content_type() for part in back.walk()} == {
        "multipart/alternative",
        "text/plain",
        "text/html",
    }


@pytest.mark.parametrize(
    "address", ["no-at-sign", "two@@signs.example", "a@b.example\r\nBcc: spy@evil.example", ""]
)
def test_an_address_that_is_none_is_refused_and_nothing_else_is_sent_to(address: str) -> None:
    person = Person(pk=7, email=address)
    delivery = Delivery(message_id="<abc@almanac.example>")
    try:
        message = write(delivery, person, Words("Hello", "test", {}))
    except CannotWrite:
        return
    assert "spy@evil.example" not in str(message["To"])
    assert "Bcc" not in message


def test_a_mail_over_the_wire_has_what_one_click_stopping_needs(
    cast: Cast, mail: MailSink, clock: Any
) -> None:
    """RFC 8058: an https address, the Post header, and a post without a session is enough."""
    announce_leak(cast, "Leak <b>here</b>\r\nBcc: spy@evil.example")
    one_minute()
    message = next(found for found in mail.parsed() if found["To"].addresses[0].username == "planner")
    assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    link = message["List-Unsubscribe"].strip("<>")
    assert link.startswith("https://almanac.example/reminders/stop/")
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Bcc"] is None
    html = message.get_body(("html",)).get_content()
    assert "Leak &lt;b&gt;here&lt;/b&gt;" in html
    assert "Leak <b>here</b>" in message.get_body(("plain",)).get_content()
    stranger, path = Client(enforce_csrf_checks=True), link.removeprefix("https://almanac.example")
    assert stranger.get(path).status_code == 200
    assert not Correspondent.objects.filter(alerts_stopped_at__isnull=False).exists()
    assert stranger.post(path, {"List-Unsubscribe": "One-Click"}).status_code == 200
    announce_leak(cast, "Another leak")
    before = people_mailed(mail)
    one_minute()
    assert people_mailed(mail).count("planner") == before.count("planner")
    assert people_mailed(mail).count("owner") == before.count("owner") + 1


def test_a_stop_between_due_and_send_holds(cast: Cast, mail: MailSink, clock: Any) -> None:
    mail.behave = lambda: "refuse now"
    announce_leak(cast, "Leak")
    one_minute()
    preferences.stop(cast.planner.pk, preferences.ALERTS)
    mail.behave = lambda: "take"
    clock.shift(3600)
    one_minute()
    assert "planner" not in people_mailed(mail)


def test_a_forged_stop_address_does_not_exist(cast: Cast) -> None:
    good = preferences.stop_token(cast.planner.pk, preferences.DIGESTS)
    for token in (good[:-2] + "xx", "x", good.replace(":", "-")):
        assert Client().post(f"/reminders/stop/{token}/").status_code == 404


def test_stopped_digests_start_again_by_choosing_a_rhythm(cast: Cast) -> None:
    preferences.stop(cast.planner.pk, preferences.DIGESTS)
    preferences.set_preference(cast.planner, cast.house, None, {"rhythm": "weekly"})
    assert Correspondent.objects.get(person=cast.planner).digests_stopped_at is None

"""How a reminder is written as a mail: plain text and HTML, one-click stop, headers that nothing can be injected into."""

from __future__ import annotations

import re
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime, parseaddr
from typing import Any

from django.conf import settings
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from fleet.estate.models import Person
from fleet.reminders.models import Delivery
from fleet.reminders.preferences import stop_token

_NOT_IN_A_HEADER = re.compile(r"[\x00-\x1f\x7f\u0085\u2028\u2029]+")


class CannotWrite(ValueError):
    """This person's address cannot stand in a mail."""


@dataclass(frozen=True)
class Words:
    """What a mail says, before it is one."""

    subject: str
    template: str
    values: dict[str, Any]
    stops: str = ""  # what its one-click header stops: digests or alerts


def one_line(text: str, longest: int = 150) -> str:
    """Safe in a header: no line break, no control character, not endless."""
    line = " ".join(_NOT_IN_A_HEADER.sub(" ", text).split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"


def write(delivery: Delivery, person: Person, words: Words) -> EmailMessage:
    message = EmailMessage(policy=SMTP_POLICY)
    message["Subject"] = one_line(words.subject)
    message["From"] = _address(settings.DEFAULT_FROM_EMAIL)
    message["To"] = _address(person.email, person.name)
    message["Date"] = format_datetime(timezone.now())
    message["Message-ID"] = delivery.message_id
    message["Auto-Submitted"] = "auto-generated"
    values = words.values | {"person": person, "subject": one_line(words.subject)}
    values |= {"wishes_address": settings.ADDRESS + reverse("reminders:wishes"), "stop_address": ""}
    if words.stops:
        stop = settings.ADDRESS + reverse("reminders:stop", args=[stop_token(person.pk, words.stops)])
        message["List-Unsubscribe"] = f"<{stop}>"
        message["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
        values["stop_address"] = stop
    message.set_content(render_to_string(f"reminders/mail/{words.template}.txt", values))
    message.add_alternative(render_to_string(f"reminders/mail/{words.template}.html", values), subtype="html")
    return message


def _address(written: str, name: str = "") -> Address:
    shown, address = parseaddr(_NOT_IN_A_HEADER.sub("", written))
    try:
        return Address(one_line(name or shown, 80), addr_spec=address)
    except (ValueError, IndexError) as error:
        raise CannotWrite(f"{written!r} is not an address that a mail can go to.") from error

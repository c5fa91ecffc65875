"""Web hooks: their verbs, and how a call is signed.

Signed as the open Standard Webhooks specification says: `webhook-id`, `webhook-timestamp` and `webhook-signature`
(v1: HMAC-SHA256 over id.timestamp.body, base64). The receiver should refuse a time stamp far from its own clock and
drop an id that it knows already.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import F
from django.utils import timezone

from fleet.estate import outgoing
from fleet.estate.happenings import announce
from fleet.estate.history import record_change
from fleet.estate.models import Happening, Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.reminders import outbox
from fleet.reminders.models import Delivery, WebHook

SWITCHED_OFF_AFTER = timedelta(days=3)
MOST_HOOKS = 10


class HookRefused(ValueError):
    def __init__(self, problems: dict[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = problems


def secret_of(hook: WebHook) -> str:
    """What the receiver checks signatures with; derived, so that the database alone does not give it away."""
    key = hmac.new(settings.SECRET_KEY.encode(), f"web hook {hook.pk} {hook.salt}".encode(), hashlib.sha256)
    return "whsec_" + base64.b64encode(key.digest()).decode()


def sign(secret: str, message_id: str, stamp: int, body: bytes) -> str:
    key = base64.b64decode(secret.removeprefix("whsec_"))
    signed = hmac.new(key, f"{message_id}.{stamp}.".encode() + body, hashlib.sha256)
    return "v1," + base64.b64encode(signed.digest()).decode()


@transaction.atomic
def add_hook(
    organisation: Organisation, name: str, url: str, kinds: list[str], may_repeat: bool = False
) -> WebHook:
    """Keep another program's address; one that could never be called is refused now."""
    problems = {}
    if not name.strip():
        problems["name"] = "Give the web hook a name."
    elif WebHook.objects.filter(name=name.strip()).exists():
        problems["name"] = f"There is a web hook called {name.strip()!r} already."
    if WebHook.objects.count() >= MOST_HOOKS:
        problems["name"] = f"There are {MOST_HOOKS} web hooks already; remove one first."
    try:
        outgoing.check(url.strip(), allow_private=settings.HOOKS_TO_PRIVATE)
    except outgoing.OutgoingError as refused:
        problems["url"] = str(refused)
    if problems:
        raise HookRefused(problems)
    hook: WebHook = WebHook.objects.create(
        organisation=organisation,
        name=name.strip()[:120],
        url=url.strip()[:500],
        kinds=kinds,
        may_repeat=may_repeat,
        salt=secrets.token_hex(16),
        made_at=timezone.now(),
    )
    record_change(hook, "web hook added", {"name": (None, hook.name)})
    return hook


@transaction.atomic
def remove_hook(hook: WebHook) -> None:
    record_change(hook, "web hook removed", {"name": (hook.name, None)})
    hook.delete()


@transaction.atomic
def switch_on(hook: WebHook) -> None:
    WebHook.objects.filter(pk=hook.pk).update(
        switched_off_at=None, switched_off_because="", failing_since=None, failures=0
    )
    record_change(hook, "web hook switched on")


@transaction.atomic
def renew_secret(hook: WebHook) -> WebHook:
    hook.salt = secrets.token_hex(16)
    hook.save(update_fields=["salt"])
    record_change(hook, "web hook secret renewed")
    return hook


def try_out(hook: WebHook, today: date) -> None:
    """Ask for a test call through the ordinary outbox."""
    now = timezone.now()
    what = f"test:{secrets.token_hex(4)}"
    outbox.write_down([outbox.ToTell(hook.organisation_id, what, today, now, urgent=True, hook_id=hook.pk)])


def wants(hook: WebHook, happening: Happening) -> bool:
    return hook.switched_off_at is None and (not hook.kinds or happening.kind in hook.kinds)


def body_of(delivery: Delivery) -> bytes:
    return json.dumps(_said(delivery), ensure_ascii=False, sort_keys=True).encode()


def _said(delivery: Delivery) -> dict[str, Any]:
    happening = delivery.happening
    if happening is None:
        return {"type": "test", "data": {"sentence": "A test call of Tank Almanac."}}
    place = happening.property
    return {
        "type": happening.kind,
        "timestamp": happening.happened_at.isoformat(),
        "data": {
            "sentence": happening.sentence,
            "urgent": happening.urgent,
            "organisation": happening.organisation.name,
            "property": place.name if place else None,
            "property_id": place.pk if place else None,
            "address": settings.ADDRESS + happening.address if happening.address else None,
        },
    }


def call(delivery: Delivery, hook: WebHook) -> bool:
    """One signed call of a row that this process has taken; settles the row whatever happens. False: it failed."""
    body, stamp = body_of(delivery), int(timezone.now().timestamp())
    message_id = delivery.message_id.strip("<>").partition("@")[0]
    headers = {
        "Content-Type": "application/json",
        "User-Agent": f"TankAlmanac/{settings.VERSION}",
        "webhook-id": message_id,
        "webhook-timestamp": str(stamp),
        "webhook-signature": sign(secret_of(hook), message_id, stamp, body),
    }
    if not outbox.begin(delivery):
        return True
    try:
        answer = outgoing.send(
            "POST",
            hook.url,
            content=body,
            headers=headers,
            timeout_seconds=settings.EMAIL_TIMEOUT,
            allow_private=settings.HOOKS_TO_PRIVATE,
        )
    except outgoing.Refused as refused:
        outbox.settle_refused_for_good(delivery, str(refused))
        _note_failure(hook, str(refused))
    except outgoing.Unreachable as error:
        outbox.settle_failed(delivery, str(error))
        _note_failure(hook, str(error))
    except outgoing.NoAnswer as error:
        if hook.may_repeat:
            outbox.settle_failed(delivery, str(error))
        else:
            outbox.settle_uncertain(delivery, str(error))
        _note_failure(hook, str(error))
    else:
        return _settle(delivery, hook, answer.status)
    return False


def _settle(delivery: Delivery, hook: WebHook, status: int) -> bool:
    words = f"Answered {status}"
    if 200 <= status < 300:
        outbox.settle_sent(delivery, words)
        with scoped(scope_of_organisation(hook.organisation_id)):
            WebHook.objects.filter(pk=hook.pk).exclude(failures=0).update(failures=0, failing_since=None)
        return True
    if status == 410:
        outbox.settle_refused_for_good(delivery, f"{words}: the receiver wants no more calls.")
        _switch_off(hook, "The receiver answered 410: it wants no more calls.")
    else:
        outbox.settle_failed(delivery, words)
        _note_failure(hook, words)
    return False


@transaction.atomic
def _note_failure(hook: WebHook, words: str, now: datetime | None = None) -> None:
    now = now or timezone.now()
    with scoped(scope_of_organisation(hook.organisation_id)):
        rows = WebHook.objects.filter(pk=hook.pk)
        rows.filter(failing_since=None).update(failing_since=now)
        rows.update(failures=F("failures") + 1, last_words=words[:300])
        if rows.filter(failing_since__lte=now - SWITCHED_OFF_AFTER, switched_off_at=None).exists():
            _switch_off(hook, f"Every call failed for {SWITCHED_OFF_AFTER.days} days. The last: {words}")


@transaction.atomic
def _switch_off(hook: WebHook, because: str) -> None:
    """Switched off once, with a notice to the owners; what still waits for it is not told."""
    now = timezone.now()
    with scoped(scope_of_organisation(hook.organisation_id)):
        rows = WebHook.objects.filter(pk=hook.pk, switched_off_at=None)
        if not rows.update(switched_off_at=now, switched_off_because=because[:300]):
            return
        announce(
            "hook_switched_off",
            f"{hook.pk}:{now.isoformat()}",
            f"The web hook {hook.name} was switched off. {because}",
            organisation_id=hook.organisation_id,
        )

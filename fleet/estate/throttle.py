"""Slowing down guesses at the door without letting anybody lock somebody else out.

A device that has signed in before keeps a cookie and is counted for itself, so that guesses made elsewhere do not
hold it up (OWASP, 'Slow Down Online Guessing Attacks with Device Cookies',
https://owasp.org/www-community/Slow_Down_Online_Guessing_Attacks_with_Device_Cookies). Everybody else is counted by
account and address, by address, and by account; a link sent by mail makes a new device a known one.

A try is counted before the password is looked at and given back when it was right, so that many tries at once gain
nothing. Known and unknown accounts are counted alike.
"""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.core import signing
from django.db import IntegrityError, transaction
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.crypto import salted_hmac

from fleet.estate.people_rows import DoorTries

LONGEST_WAIT_SECONDS = 15 * 60
FORGET_AFTER = timedelta(days=1)
DEVICE_COOKIE = "almanac_device"
DEVICE_SALT = "fleet.estate.device"
DEVICE_LASTS = timedelta(days=365)
MOST_PEOPLE_PER_DEVICE = 5


@dataclass(frozen=True)
class Count:
    """One key that is counted, and how many failures pass without a wait."""

    key: str
    free: int

    def wait_after(self, failures: int) -> int:
        """Seconds to wait after so many failures: 1, 2, 4, 8... up to a quarter of an hour."""
        over = failures - self.free
        return 0 if over <= 0 else min(2 ** min(over - 1, 20), LONGEST_WAIT_SECONDS)


def client_address(request: HttpRequest) -> str:
    """Where a request comes from. Behind the operator's own proxy: the address that the proxy wrote down last."""
    address = str(request.META.get("REMOTE_ADDR") or "")
    if settings.SECURE_PROXY_SSL_HEADER and (forwarded := request.META.get("HTTP_X_FORWARDED_FOR")):
        address = str(forwarded).rsplit(",", 1)[-1].strip()
    try:
        return str(ipaddress.ip_address(address))
    except ValueError:
        return ""


def _neighbourhood(address: str) -> str:
    """A household is given a whole IPv6 /64, so that is what is counted."""
    if ":" not in address:
        return address
    return str(ipaddress.ip_network(f"{address}/64", strict=False))


def _key(*parts: str) -> str:
    return salted_hmac("fleet.estate.throttle", "\n".join(parts), algorithm="sha256").hexdigest()


def counts_for(request: HttpRequest, account: str, door: str = "sign in") -> tuple[Count, ...]:
    """What a try at an account is counted under."""
    account, address = account.strip().lower(), _neighbourhood(client_address(request))
    if device := known_devices(request).get(account_mark(account)):
        return (Count(_key(door, "device", account, device), free=5),)
    return (
        Count(_key(door, "address", address), free=30),
        Count(_key(door, "pair", account, address), free=5),
        Count(_key(door, "account", account), free=50),
    )


def take_try(counts: tuple[Count, ...]) -> int:
    """Count a try; returns 0 when it may be made, or the seconds to wait, and then nothing is counted."""
    now = timezone.now()
    with transaction.atomic():
        rows = {count.key: _row(count.key, now) for count in sorted(counts, key=lambda one: one.key)}
        wait = max((row.free_at - now).total_seconds() for row in rows.values())
        if wait > 0:
            return int(wait) + 1
        for count in counts:
            row = rows[count.key]
            failures = 1 if row.last_at < now - FORGET_AFTER else row.failures + 1
            DoorTries.objects.filter(pk=row.pk).update(
                failures=failures, last_at=now, free_at=now + timedelta(seconds=count.wait_after(failures))
            )
    return 0


def _row(key: str, now: datetime) -> DoorTries:
    """The row of a key, locked; made where there is none."""
    found = DoorTries.objects.select_for_update().filter(key=key).first()
    if found is not None:
        return found
    try:
        with transaction.atomic():
            return DoorTries.objects.create(key=key, last_at=now, free_at=now)
    except IntegrityError:
        return DoorTries.objects.select_for_update().get(key=key)


def give_back(counts: tuple[Count, ...]) -> None:
    """The try was right: it counts no longer, and the device or pair starts afresh."""
    now = timezone.now()
    keys = [count.key for count in counts]
    DoorTries.objects.filter(key__in=keys, failures__gt=0).update(failures=F("failures") - 1, free_at=now)
    own = [count.key for count in counts if count.free == 5]
    DoorTries.objects.filter(key__in=own).update(failures=0)


def first_use(*parts: str) -> bool:
    """Whether something that may be used once is used for the first time within a day."""
    now, key = timezone.now(), _key("used", *parts)
    if DoorTries.objects.filter(key=key).exists():
        return False
    try:
        with transaction.atomic():
            DoorTries.objects.create(key=key, last_at=now, free_at=now)
    except IntegrityError:
        return False
    return True


def forget_old() -> int:
    """Delete what no longer counts."""
    return DoorTries.objects.filter(last_at__lt=timezone.now() - FORGET_AFTER).delete()[0]


def account_mark(account: str) -> str:
    return _key("device of", account.strip().lower())[:16]


def known_devices(request: HttpRequest) -> dict[str, str]:
    """From the device's cookie: mark of an account -> this device's own number for it."""
    try:
        kept = signing.loads(request.COOKIES.get(DEVICE_COOKIE, ""), salt=DEVICE_SALT, max_age=DEVICE_LASTS)
    except signing.BadSignature:
        return {}
    return kept if isinstance(kept, dict) else {}


def remember_device(request: HttpRequest, response: HttpResponse, account: str) -> None:
    """Make this device a known one for an account."""
    kept, mark = known_devices(request), account_mark(account)
    number = kept.pop(mark, "") or secrets.token_urlsafe(12)
    kept = dict([*list(kept.items())[-(MOST_PEOPLE_PER_DEVICE - 1) :], (mark, number)])
    response.set_cookie(
        DEVICE_COOKIE,
        signing.dumps(kept, salt=DEVICE_SALT),
        max_age=int(DEVICE_LASTS.total_seconds()),
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )

"""Idempotency keys: a post sent again with its key gets the answer of the first and does nothing twice.

The row is written in the transaction of the change. A second request with the same key waits for the first one's
transaction; if that fails, nothing was kept and the second does the work.
"""

from __future__ import annotations

import hashlib
from datetime import timedelta
from typing import Any

from django.db import IntegrityError, transaction
from django.http import HttpResponse
from django.utils import timezone

from api.entrance import Caller
from api.models import KeptAnswer
from api.problems import Problem
from api.rows import written
from fleet.estate.scope import unscoped

KEPT_DAYS = 7
LONGEST = 200
HEADERS = ("Content-Type", "Location", "ETag")


def digest_of(method: str, path: str, data: Any, files: Any) -> str:
    found = hashlib.sha256(f"{method} {path}\n".encode())
    found.update(written(data if not hasattr(data, "lists") else sorted(_texts(data))))
    for name in sorted(files or ()):
        content = files[name]
        found.update(name.encode())
        for chunk in content.chunks():
            found.update(chunk)
        content.seek(0)
    return found.hexdigest()


def _texts(data: Any) -> Any:
    return ((name, [v for v in values if isinstance(v, str)]) for name, values in data.lists())


def begin(caller: Caller, key: str, digest: str) -> KeptAnswer | HttpResponse:
    """The row to keep this answer in, or the answer kept before. Call inside the transaction of the change."""
    if not 1 <= len(key) <= LONGEST or not key.isprintable():
        raise Problem("malformed", f"An Idempotency-Key has 1 to {LONGEST} printable characters.")
    organisation_id = caller.organisation.pk
    with unscoped("a caller's own kept answers, whatever properties she sees"):
        _forget_old(organisation_id)
        mine = {"organisation_id": organisation_id, "holder": caller.name, "key": key}
        kept = KeptAnswer.objects.filter(**mine).first()
        if kept is None:
            try:
                with transaction.atomic():
                    return KeptAnswer.objects.create(**mine, digest=digest)
            except IntegrityError:
                kept = KeptAnswer.objects.get(**mine)
    if kept.digest != digest:
        raise Problem(
            "key-reused", "Its first request had another address or content. Use a new key for a new request."
        )
    return _again(kept)


def _again(kept: KeptAnswer) -> HttpResponse:
    response = HttpResponse(kept.body.encode(), status=kept.status)
    for name, value in kept.headers.items():
        response[name] = value
    response["Idempotent-Replayed"] = "true"
    return response


def keep(row: KeptAnswer, response: HttpResponse) -> None:
    headers = {name: response[name] for name in HEADERS if name in response}
    with unscoped("a caller's own kept answers, whatever properties she sees"):
        KeptAnswer.objects.filter(pk=row.pk).update(
            status=response.status_code, headers=headers, body=response.content.decode()
        )


def _forget_old(organisation_id: int) -> None:
    old = timezone.now() - timedelta(days=KEPT_DAYS)
    KeptAnswer.objects.filter(organisation_id=organisation_id, created_at__lt=old).delete()

"""How a worker takes a part of a large forecast: by a conditional update, for a while; who dies leaves it to the next."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import timedelta
from typing import TYPE_CHECKING

from django.db.models import Q, QuerySet
from django.utils import timezone

from fleet.estate import background
from fleet.planning.part_rows import ForecastPart

if TYPE_CHECKING:
    from fleet.planning.models import ForecastRun

LEASE = timedelta(minutes=3)  # far above the seconds that a part takes
MOST_HELPERS = 16


def claim(rows: QuerySet[ForecastPart], first: Collection[int] = ()) -> ForecastPart | None:
    """One of these parts that nobody holds, one of `first` before any other."""
    now = timezone.now()
    free = Q(claimed_until=None) | Q(claimed_until__lt=now)
    found = sorted(rows.filter(free).values_list("pk", "claim"), key=lambda row: row[0] not in first)
    for number, held in found[:20]:
        token = uuid.uuid4()
        if rows.filter(free, pk=number, claim=held).update(claim=token, claimed_until=now + LEASE):
            return ForecastPart.objects.get(pk=number)
    return None


def ring(run: ForecastRun, parts: int, what: str = "") -> None:
    """Ask for as many helpers as can be of use; who asks works too."""
    for number in range(min(parts - 1, MOST_HELPERS)):
        background.enqueue(
            "forecast part",
            {"run_id": run.pk, "number": number},
            run.organisation_id,
            unique_key=f"{run.pk} {what}{number}",
        )

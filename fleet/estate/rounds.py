"""What happens by itself: jobs asked for each hour or day in each organisation, and sweeps of each minute.

A job says its rhythm where it is registered: `@register("kind", for_whom=…, every="day")`. A sweep over all organisations is
`@each_minute("name")`. Both are safe to ask for as often as one likes; two beats, or two loops, do no harm.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass

from django.conf import settings
from django.utils import timezone

from fleet.estate import leases
from fleet.estate.background import ALERTS, HEAVY, enqueue, known_work
from fleet.estate.background_rows import Job
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped, unscoped

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Sweep:
    """One step over all organisations. It returns True while more remains; `alone`: one process at a time."""

    step: Callable[[], bool | None]
    queue: str
    alone: bool


_sweeps: dict[str, Sweep] = {}


def each_minute(
    name: str, *, queue: str = HEAVY, alone: bool = True
) -> Callable[[Callable[[], bool | None]], Callable[[], bool | None]]:
    if queue not in (HEAVY, ALERTS):
        raise ValueError(f"{name}: a queue is {HEAVY} or {ALERTS}.")

    def keep(step: Callable[[], bool | None]) -> Callable[[], bool | None]:
        _sweeps[name] = Sweep(step, queue, alone)
        return step

    return keep


def ask_for_rounds() -> None:
    """Enqueue each organisation's hourly and daily work unless that hour's or day's job is already there."""
    organisations = list(Organisation.objects.order_by("id"))
    hour = timezone.now().strftime("%Y-%m-%dT%H")
    for kind, work in known_work().items():
        if not work.every:
            continue
        keys = {one.pk: hour if work.every == "hour" else today_of(one).isoformat() for one in organisations}
        with unscoped("which rounds were asked for already"):
            asked = set(
                Job.objects.filter(kind=kind, unique_key__in=set(keys.values())).values_list(
                    "organisation_id", "unique_key"
                )
            )
        for number, key in keys.items():
            if (number, key) not in asked:
                with scoped(scope_of_organisation(number)):
                    enqueue(kind, {}, number, unique_key=key)


def record_changed(organisation_id: int) -> None:
    """Ask again for the work that follows the record, after many of its rows have changed at once."""
    for kind, work in known_work().items():
        if work.on_change:
            enqueue(kind, {}, organisation_id, unique_key="record changed")


def sweep_names() -> dict[str, str]:
    """Each sweep's name and queue."""
    return {name: sweep.queue for name, sweep in _sweeps.items()}


def run_sweep(name: str, seconds: float = 45) -> bool:
    """Run one sweep until nothing remains or the time is used up; True when more remains. A bad one jams no other."""
    sweep = _sweeps[name]
    ends = time.monotonic() + seconds
    if sweep.alone and not leases.take(f"sweep {name}", settings.TICK_SECONDS * 0.8):
        return False
    try:
        while sweep.step():
            if time.monotonic() > ends:
                leases.give_back(f"sweep {name}")
                return True
    except Exception:
        logger.exception("The sweep %r failed; it is tried again at the next round.", name)
    return False


def hold_rounds() -> bool:
    """The embedded loop's minute: everything asked for, every sweep run here. True when a sweep left some."""
    if leases.take("rounds", settings.TICK_SECONDS * 0.8):
        ask_for_rounds()
    return any([run_sweep(name, seconds=5) for name in _sweeps])

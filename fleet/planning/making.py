"""What planning makes in the background, a forecast, a check, a capital plan: from waiting to done, failed or called off.

A row that is done stays as it is, so one that fails or is called off never replaces a good one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from django.db import transaction
from django.utils import timezone

from fleet.estate import background
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.models import ForecastRun
from fleet.planning.trust_rows import TrustCheck

Made = TypeVar("Made", ForecastRun, TrustCheck, CapitalPlan)
Report = Callable[[float, str], None]
Cancelled = Callable[[], bool]
State = ForecastRun.State  # the others' states have the same names
OPEN = (State.WAITING, State.RUNNING)


def in_silence(fraction: float, words: str) -> None:
    """Progress that nobody watches."""


def never() -> bool:
    """Nobody calls it off."""
    return False


@transaction.atomic
def call_off(row: Made) -> None:
    """At once while it waits, at its next step while it is being made."""
    if row.job is not None:
        background.cancel(row.job)
    type(row).objects.filter(pk=row.pk, state=State.WAITING).update(
        state=State.CANCELLED, finished_at=timezone.now()
    )


def make(
    row: Made,
    work: Callable[[Made, Report, Cancelled], None],
    report: Report,
    cancelled: Cancelled,
    *,
    thing: str,
    refusals: tuple[type[Exception], ...],
    in_words: Callable[[str], str] = str,
) -> Made:
    """Do the work of a row, which itself writes the row down as done.

    One already done or called off is returned as it is. What `work` raises is raised again, after the row is marked:
    called off, failed with the words of one of the `refusals`, or failed by an error of the program.
    """
    rows = type(row).objects.filter(pk=row.pk)
    if rows.filter(state__in=[*OPEN, State.FAILED]).update(state=State.RUNNING, error=""):
        try:
            work(row, report, cancelled)
        except background.Cancelled:
            rows.update(state=State.CANCELLED, finished_at=timezone.now())
            raise
        except refusals as refusal:
            rows.update(state=State.FAILED, error=in_words(str(refusal)), finished_at=timezone.now())
            raise
        except Exception as error:
            words = f"The {thing} stopped with an error of the program ({type(error).__name__})."
            rows.update(state=State.FAILED, error=words, finished_at=timezone.now())
            raise
    row.refresh_from_db()
    return row

"""What the maker should pay: tanks that failed within their warranty while under contract."""

from __future__ import annotations

from decimal import Decimal

from django.db import transaction

from fleet.contracts.models import Contract, WarrantyClaim
from fleet.estate.history import record_change
from fleet.heaters.models import FAILURES, Heater
from fleet.pages.words import a_date

DAYS_IN_YEAR = 365.2425
State = WarrantyClaim.State


class ClaimRefused(ValueError):
    """A claim that cannot be changed so; the message says why."""


def within_warranty(heater: Heater) -> bool | None:
    """Whether it failed within its warranty; None when the dates or the warranty do not say."""
    if heater.warranty_years is None or heater.installed_earliest is None or heater.removed_latest is None:
        return None
    installed_late = heater.installed_latest or heater.installed_earliest
    removed_early = heater.removed_earliest or heater.removed_latest
    longest = (heater.removed_latest - heater.installed_earliest).days / DAYS_IN_YEAR
    shortest = (removed_early - installed_late).days / DAYS_IN_YEAR
    if longest <= heater.warranty_years:
        return True
    return None if shortest <= heater.warranty_years else False


def find_claims(contract: Contract) -> int:
    """Write down claims not yet known. Only what failed counts; a planned replacement is nobody's fault."""
    found = 0
    rows = contract.heaters.filter(heater__ending__in=[str(one) for one in FAILURES]).select_related("heater")
    for row in rows:
        heater = row.heater
        covered = within_warranty(heater)
        if covered is False or (covered is None and heater.warranty_years is None):
            continue
        doubt = "" if covered else " The dates leave it open: look for the papers."
        _, made = WarrantyClaim.objects.get_or_create(
            organisation_id=contract.organisation_id,
            contract=contract,
            heater=heater,
            defaults={
                "words": (
                    f"{heater.tag} ({heater.get_kind_display()}), put in "
                    f"{a_date(heater.installed_earliest, heater.installed_latest, heater.installed_precision)}, "
                    f"{str(heater.get_ending_display()).lower()} "
                    f"{a_date(heater.removed_earliest, heater.removed_latest, heater.removed_precision)}; "
                    f"warranty {heater.warranty_years:g} years.{doubt}"
                )[:400]
            },
        )
        found += made
    return found


@transaction.atomic
def change_claim(claim: WarrantyClaim, state: str, amount: Decimal | None, note: str) -> WarrantyClaim:
    if state not in State.values:
        raise ClaimRefused(f"{state!r} is not a state of a claim; {', '.join(State.values)} are.")
    if state == State.PAID and (amount is None or amount <= 0):
        raise ClaimRefused("Paid: how much? Give an amount above 0.")
    before = claim.state
    claim.state, claim.note = state, note.strip()[:300]
    claim.amount = amount if amount is not None else claim.amount
    claim.save(update_fields=["state", "amount", "note", "changed_at"])
    record_change(claim, "warranty claim changed", {"state": (before, state)}, note)
    return claim

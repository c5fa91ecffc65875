"""What one heater more costs under an offer, and what one job of it: the rule that changes are priced by."""

from __future__ import annotations

from fleet.care.kinds import task_kinds
from fleet.contracts.book import Figures
from fleet.contracts.models import Offer, Survey
from fleet.contracts.pricing import AFTER_HOURS_SHARE, applies_to


def cost_of_age(
    survey: Survey, figures: Figures, offer: Offer, heater_kind: str, age_years: float, replaced: bool
) -> float:
    """First-year cost of one more heater of a kind and age, by the survey's own table and the offer's book.

    The trip of its planned care is shared with its building and not counted again.
    """
    hour, cost = figures.of("labour_hour"), 0.0
    for code, months in offer.care.items():
        if applies_to(code, heater_kind):
            each = task_kinds()[code].minutes / 60 * hour + figures.of("care_materials", code)
            cost += each * 12 / months
    return cost + jobs_of_age(survey, figures, offer, heater_kind, age_years, replaced)


def jobs_of_age(
    survey: Survey, figures: Figures, offer: Offer, heater_kind: str, age_years: float, replaced: bool
) -> float:
    """Of that, what chance decides: its repairs, failures and their trips, as the offer was priced."""
    table = survey.figures.get("by_age", {}).get(heater_kind)
    if table is None or offer.level == Offer.Level.CARE:
        return 0.0
    year = min(int(age_years), len(table["failures"]) - 1)
    each = {what: job_cost(figures, offer, heater_kind, what) for what in ("repair", "call", "replacement")}
    cost = table["repairs"][year] * each["repair"] + table["failures"][year] * each["call"]
    if replaced and offer.level == Offer.Level.REPLACEMENT:
        cost += table["failures"][year] * each["replacement"]
    return float(cost) * float(offer.priced.get("experience", 1.0))


def job_cost(
    figures: Figures, offer: Offer, heater_kind: str, what: str, late_share: float | None = None
) -> float:
    """What the book says one job costs, at the offer's share of hours after hours or a given one.

    A failure is a call, and a replacement where that is covered: the trip is the call's.
    """
    hour = figures.of("labour_hour")
    share = AFTER_HOURS_SHARE[Offer.Response(offer.response)] if late_share is None else late_share
    late = share * hour * (figures.of("after_hours_times") - 1)
    if what == "replacement":
        work = figures.of("replacement_hours", heater_kind)
        return figures.of("replacement_materials", heater_kind) + work * (hour + late)
    hours, materials = figures.of("call_hours"), 0.0
    if what == "repair":
        hours = figures.of("repair_hours", heater_kind)
        materials = figures.of("repair_materials", heater_kind)
    return hours * hour + materials + figures.trip_cost + (hours + figures.of("trip_hours")) * late

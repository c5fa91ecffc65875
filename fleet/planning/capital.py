"""The verbs of the capital plan: ask for one, make one. A plan is stored whole or not at all."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleet.estate import background
from fleet.estate.history import record_change
from fleet.estate.models import Organisation, Property
from fleet.heaters.models import Heater
from fleet.planning import making
from fleet.planning.capital_rows import CapitalLine, CapitalPlan
from fleet.planning.cost_book import ensure_cost_book
from fleet.planning.models import ForecastRun
from fleet.planning.prices import CostBookRefused
from fleet.planning.priors import entered

State = CapitalPlan.State
HIGHEST_CAP = Decimal("99999999999")


class CapitalRefused(ValueError):
    """Wishes that cannot be planned for; the message holds the figures and says what would be right."""


def latest_capital_plan(organisation_id: int) -> CapitalPlan | None:
    return (
        CapitalPlan.objects.filter(organisation_id=organisation_id, state=State.DONE).order_by("-id").first()
    )


def caps_by_name(written: Sequence[str]) -> dict[int, Decimal]:
    """Caps of properties from lines such as `Alder Court = 12000`. Raises CapitalRefused naming the line."""
    names = {name.casefold(): pk for pk, name in Property.objects.values_list("pk", "name")}
    caps: dict[int, Decimal] = {}
    for line in written:
        if not line.strip():
            continue
        name, _, amount = line.rpartition("=")
        number = names.get(name.strip().casefold())
        if number is None:
            raise CapitalRefused(
                f"'{line.strip()}': no property of that name; write one line each, as: Alder Court = 12000."
            )
        try:
            caps[number] = Decimal(amount.replace(",", "").replace("$", "").strip())
        except InvalidOperation:
            raise CapitalRefused(
                f"'{line.strip()}': '{amount.strip()}' is not an amount; write for instance 12000."
            ) from None
    return caps


def heaters_by_tag(tags: Sequence[str]) -> list[int]:
    """Numbers of heaters in service by their tags. Raises CapitalRefused naming what is not found or not single."""
    wanted = [tag.strip() for tag in tags if tag.strip()]
    found: dict[str, list[int]] = {}
    for pk, tag in Heater.objects.filter(tag__in=wanted, ending="").values_list("pk", "tag"):
        found.setdefault(tag, []).append(pk)
    if missing := [tag for tag in wanted if tag not in found]:
        raise CapitalRefused(
            f"No heater in service has the tag {', '.join(repr(tag) for tag in missing)}; "
            "write tags as they stand in the heater list, with commas between them."
        )
    if double := [tag for tag in wanted if len(found[tag]) > 1]:
        raise CapitalRefused(
            f"Several heaters in service have the tag {double[0]!r}; give each its own first."
        )
    return sorted({found[tag][0] for tag in wanted})


def _check(wanted: dict[str, Any]) -> None:
    amounts = [
        (wanted["cap"], "yearly cap"),
        (wanted["visit_cost"], "cost of one visit"),
        (wanted["other_draws"], "sum of other draws"),
        (wanted["opening_balance"], "opening balance"),
    ]
    if wanted["contribution"] is not None:
        amounts.append((wanted["contribution"], "yearly contribution"))
    names = dict(Property.objects.values_list("pk", "name"))
    for number, amount in wanted["property_caps"].items():
        if int(number) not in names:
            raise CapitalRefused(f"There is no property {number} for the cap of {amount}.")
        amounts.append((Decimal(amount), f"yearly cap of {names[int(number)]}"))
    for value, words in amounts:
        if not value.is_finite() or not 0 <= value <= HIGHEST_CAP:
            raise CapitalRefused(f"The {words} is {value}; give an amount of 0 or more, for instance 40000.")
    if not 1 <= wanted["horizon_years"] <= 40:
        raise CapitalRefused(
            f"A plan over {wanted['horizon_years']} years cannot be made; give 1 to 40 years."
        )
    if wanted["crew"] is not None and wanted["crew"] < 0:
        raise CapitalRefused(f"A crew that does {wanted['crew']} heaters a year cannot be; give 0 or more.")
    if not 1 <= wanted["compare_age_years"] <= 60:
        raise CapitalRefused(f"Replacing at age {wanted['compare_age_years']} cannot be; give 1 to 60 years.")
    if not Decimal("-0.5") < wanted["interest"] <= Decimal("0.5"):
        raise CapitalRefused(
            f"Interest of {wanted['interest']} a year cannot be; give a rate as 0.02 for 2 %."
        )
    if not 0 <= wanted["shortfall_limit"] <= Decimal("0.99"):
        raise CapitalRefused(
            f"A shortfall limit of {wanted['shortfall_limit']} cannot be; give a chance from 0 to 0.99, as 0.1."
        )
    if both := set(wanted["must"]) & set(wanted["must_not"]):
        tags = Heater.objects.filter(pk__in=both).values_list("tag", flat=True)
        raise CapitalRefused(f"{', '.join(tags)}: on both lists, must and must not. Take them off one.")


@transaction.atomic
def open_capital_plan(
    organisation: Organisation,
    run: ForecastRun,
    cap: Decimal,
    horizon_years: int | None = None,
    crew: int | None = None,
    visit_cost: Decimal = Decimal(0),
    must: Sequence[int] = (),
    must_not: Sequence[int] = (),
    opening_balance: Decimal = Decimal(0),
    shortfall_limit: Decimal = Decimal("0.1"),
    interest: Decimal = Decimal("0.02"),
    property_caps: Mapping[int, Decimal] | None = None,
    compare_age_years: int = 12,
    contribution: Decimal | None = None,
    other_draws: Decimal = Decimal(0),
) -> CapitalPlan:
    """Write down a plan to be made from a finished forecast. Raises CapitalRefused on wishes that cannot be."""
    if run.state != ForecastRun.State.DONE or run.organisation_id != organisation.pk:
        raise CapitalRefused("A capital plan needs a finished forecast; make the forecast first.")
    wanted = {
        "cap": cap,
        "horizon_years": run.horizon_years if horizon_years is None else horizon_years,
        "crew": crew,
        "visit_cost": visit_cost,
        "must": sorted(must),
        "must_not": sorted(must_not),
        "opening_balance": opening_balance,
        "shortfall_limit": shortfall_limit,
        "interest": interest,
        "property_caps": {str(number): str(cap) for number, cap in (property_caps or {}).items()},
        "compare_age_years": compare_age_years,
        "contribution": contribution,
        "other_draws": other_draws,
    }
    _check(wanted)
    plan = CapitalPlan.objects.create(organisation=organisation, run=run, **wanted)
    record_change(plan, "asked for", {"cap": (None, str(cap))})
    return plan


@transaction.atomic
def request_capital_plan(organisation: Organisation, run: ForecastRun, **wanted: Any) -> CapitalPlan:
    """Ask for a plan in the background."""
    plan = open_capital_plan(organisation, run, **wanted)
    plan.job = background.enqueue("capital plan", {"plan_id": plan.pk}, organisation.pk)
    plan.save(update_fields=["job"])
    return plan


def make_capital_plan(
    organisation: Organisation,
    run: ForecastRun,
    report: making.Report = making.in_silence,
    **wanted: Any,
) -> CapitalPlan:
    """Ask for a plan and make it at once."""
    return run_capital_plan(open_capital_plan(organisation, run, **wanted), report)


def run_capital_plan(
    plan: CapitalPlan,
    report: making.Report = making.in_silence,
    cancelled: making.Cancelled = making.never,
) -> CapitalPlan:
    """Make the plan. Raises CapitalRefused after marking it not possible with the figures that conflict."""
    from fleet.planning.chain import NothingToForecast
    from forecasting.capped import PlanConflict

    refusals = (PlanConflict, NothingToForecast, CostBookRefused)

    def in_words(words: str) -> str:
        return _in_years(plan, words)

    try:
        return making.make(plan, _make, report, cancelled, thing="plan", refusals=refusals, in_words=in_words)
    except refusals as refusal:
        raise CapitalRefused(in_words(str(refusal))) from refusal


def _in_years(plan: CapitalPlan, words: str) -> str:
    """Periods by their fiscal years."""
    from fleet.planning import periods

    months = list(Property.objects.values_list("fiscal_year_start_month", flat=True))
    years = periods.fiscal_years(plan.run.as_of, periods.most_common_month(months), plan.horizon_years)
    names = dict(Property.objects.values_list("pk", "name"))
    words = re.sub(r"property (\d+)", lambda found: names.get(int(found[1]), found[0]), words)
    return re.sub(r"period (\d+)", lambda found: years[min(int(found[1]), len(years)) - 1].label, words)


def _make(plan: CapitalPlan, report: making.Report, cancelled: making.Cancelled) -> None:
    from fleet.planning import capital_chain, chain, costing
    from fleet.planning.frames import records_in_scope

    run = plan.run
    report(0.0, "Reading the record")
    records = records_in_scope(run.as_of)
    book = run.cost_book or ensure_cost_book(run.organisation, run.as_of)
    months = dict(Property.objects.values_list("pk", "fiscal_year_start_month"))
    asked = chain.Asked(
        plan.horizon_years,
        run.seed,
        run.draws,
        months,
        float(book.growth_mean),
        float(book.growth_sd),
        entered(plan.organisation_id),
        costing.kinds_to_come(plan.organisation_id),
    )
    wishes = capital_chain.Wishes(
        plan.cap,
        plan.horizon_years,
        plan.crew,
        plan.visit_cost,
        tuple(plan.must),
        tuple(plan.must_not),
        plan.opening_balance,
        plan.shortfall_limit,
        plan.interest,
        float(book.discount_rate),
        {int(number): Decimal(cap) for number, cap in plan.property_caps.items()},
        plan.compare_age_years,
        plan.contribution,
        plan.other_draws,
        {row.item: row.amount or Decimal(0) for row in book.items.all()},
    )
    answer = capital_chain.compute(records, costing.pricer(book, run.as_of), asked, wishes, report, cancelled)
    if cancelled():
        raise background.Cancelled
    _store(plan, answer)
    report(1.0, "Done")


@transaction.atomic
def _store(plan: CapitalPlan, answer: Any) -> None:
    CapitalLine.objects.filter(plan=plan).delete()
    CapitalLine.objects.bulk_create(
        (CapitalLine(organisation_id=plan.organisation_id, plan=plan, **line) for line in answer.lines),
        batch_size=1000,
    )
    CapitalPlan.objects.filter(pk=plan.pk).update(
        state=State.DONE, finished_at=timezone.now(), result=answer.result, error=""
    )

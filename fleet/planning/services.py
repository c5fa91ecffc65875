"""The verbs of planning: ask for a forecast, call it off, run it. The prices' verbs live in cost_book.py."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleet.estate import background
from fleet.estate.bulk_rows import write_rows
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation, Property
from fleet.planning import making, priors
from fleet.planning.cost_book import (
    CostEntry,
    cost_book_on,
    cost_book_shown,
    ensure_cost_book,
    save_cost_lines,
    save_price_growth,
    save_prices,
)
from fleet.planning.models import CostBook, ForecastRun, HeaterOutlook
from fleet.planning.outlook_rows import COLUMNS, RANKED_BY, outlook_rows
from fleet.planning.prices import CostBookRefused
from fleet.planning.successors import successor_words
from fleet.planning.table_rows import keep_tables
from fleet.planning.watching import watching

__all__ = [
    "CostBookRefused",
    "CostEntry",
    "RunRefused",
    "cancel_run",
    "cost_book_on",
    "cost_book_shown",
    "ensure_cost_book",
    "open_run",
    "request_run",
    "run_forecast",
    "save_cost_lines",
    "save_price_growth",
    "save_prices",
]
State = ForecastRun.State


class RunRefused(ValueError):
    """A forecast that cannot be asked for; the message says why and what would be right."""


@transaction.atomic
def open_run(
    organisation: Organisation,
    as_of: date | None = None,
    horizon_years: int = 10,
    draws: int = 1000,
    seed: int = 1,
) -> ForecastRun:
    """Write down a forecast to be made. Raises RunRefused on a day, horizon or number of draws that cannot be."""
    today = today_of(organisation)
    day = as_of or today
    if day > today:
        raise RunRefused(f"The day {day} lies in the future; the record ends today, {today}.")
    if not 1 <= horizon_years <= 40:
        raise RunRefused(f"A horizon of {horizon_years} years cannot be planned; give 1 to 40 years.")
    if not 50 <= draws <= 20_000:
        raise RunRefused(f"{draws} draws: give 50 to 20,000 (1,000 is usual).")
    if not 0 <= seed < 2**31:
        raise RunRefused(f"The random seed {seed} must be from 0 to {2**31 - 1}.")
    book = ensure_cost_book(organisation, today)
    return ForecastRun.objects.create(
        organisation=organisation,
        as_of=day,
        horizon_years=horizon_years,
        draws=draws,
        seed=seed,
        cost_book=cost_book_on(organisation.pk, day) or book,
    )


@transaction.atomic
def request_run(organisation: Organisation, **wanted: Any) -> ForecastRun:
    """Ask for a forecast in the background. While one with the same wishes is open, that one is returned."""
    run = open_run(organisation, **wanted)
    key = f"{run.as_of} {run.horizon_years} {run.draws} {run.seed} {run.cost_book_id}"
    job = background.enqueue("forecast", {"run_id": run.pk}, organisation.pk, unique_key=key)
    if job.payload["run_id"] != run.pk and (
        already := ForecastRun.objects.filter(pk=job.payload["run_id"]).first()
    ):
        run.delete()
        return already
    run.job = job
    run.save(update_fields=["job"])
    return run


def cancel_run(run: ForecastRun) -> None:
    """Call a forecast off: at once while it waits, at its next step while it runs."""
    making.call_off(run)


def run_forecast(
    run: ForecastRun,
    report: making.Report = making.in_silence,
    cancelled: making.Cancelled = making.never,
) -> ForecastRun:
    """Make the forecast. A run already done, or called off, stays as it is; a failed run never replaces a good one.

    Raises NothingToForecast and CostBookRefused after marking the run failed with their words.
    """
    from fleet.planning.chain import NothingToForecast

    refusals = (NothingToForecast, CostBookRefused)
    try:
        return making.make(run, _make, report, cancelled, thing="forecast", refusals=refusals)
    except background.Cancelled:
        run.parts.all().delete()
        run.outlooks.all().delete()
        raise


def question_of(run: ForecastRun) -> tuple[CostBook, Any]:
    """The prices and the question of a run, as every worker on it understands them."""
    from fleet.planning import chain, costing

    book = run.cost_book or ensure_cost_book(run.organisation, run.as_of)
    months = dict(Property.objects.values_list("pk", "fiscal_year_start_month"))
    return book, chain.Asked(
        run.horizon_years,
        run.seed,
        run.draws,
        months,
        float(book.growth_mean),
        float(book.growth_sd),
        priors.entered(run.organisation_id),
        costing.kinds_to_come(run.organisation_id),
    )


def _make(run: ForecastRun, report: making.Report, cancelled: making.Cancelled) -> None:
    from fleet.planning import blocks, chain, costing, parts
    from fleet.planning.frames import kinds_known, records_in_scope, standing_by_property
    from fleet.planning.trust_chain import sampled
    from forecasting.episodes import future_states

    book, asked = question_of(run)
    if parts.begun(run):  # and its worker was lost
        _make_of_parts(run, book, asked, report, cancelled)
        return
    report(0.0, "Reading the record")
    recorded, standing = standing_by_property(run.as_of)
    large = len(blocks.cut(standing)) > 1
    fitted = asked
    if large:  # of the whole fleet: what is fitted on need not hold its rarest kind
        fitted = replace(asked, more_kinds=tuple(sorted({*kinds_known(run.as_of), *asked.more_kinds})))
        parts.lay_out(run, fitted.more_kinds, standing)
    records = parts.records_of(run, blocks.sample(recorded)) if large else records_in_scope(run.as_of)
    prices = costing.plain_prices(book)
    inputs = chain.digest(
        records.heaters,
        records.services,
        records.waters,
        *priors.tables(asked.priors),
        prices,
        asked.__dict__,
        str(run.as_of),
    )
    if large:
        posterior, diagnostics = chain.fit_records(records, fitted, report, cancelled)
        report(0.62, "Cutting the fleet into parts")
        diagnostics["fitted_on"] = {
            "properties": records.heaters["property_id"].nunique(),
            "of": len(recorded),
        }
        some = sampled(records, asked.seed)
        ahead = future_states(some, posterior.kinds, posterior.buildings, asked.horizon_years + 1)
        diagnostics["lives"] = chain.lives_of(posterior, ahead)
        parts.ask(run, records, posterior, asked, standing, diagnostics=diagnostics, inputs_digest=inputs)
        _make_of_parts(run, book, asked, report, cancelled)
        return
    answer = chain.compute(records, costing.pricer(book, run.as_of), asked, report, cancelled)
    if cancelled():
        raise background.Cancelled
    report(0.9, "Writing the plan down")
    made = _assumptions(run, book, asked, answer.plan.pop("prices"))
    _store(run, answer, inputs, made)
    report(1.0, "Done")


def _make_of_parts(
    run: ForecastRun,
    book: CostBook,
    asked: Any,
    report: making.Report,
    cancelled: making.Cancelled,
) -> None:
    from fleet.planning import parts
    from fleet.planning.chain import digest

    plan, known = parts.finish(run, book, asked, report, cancelled)
    run.refresh_from_db(fields=["diagnostics", "inputs_digest"])
    made = _assumptions(run, book, asked, plan.pop("prices"))
    with transaction.atomic():
        inputs, results = parts.close(run)
        ForecastRun.objects.filter(pk=run.pk).update(
            state=State.DONE,
            finished_at=timezone.now(),
            inputs_digest=digest(run.inputs_digest, inputs),
            result_digest=digest(plan, results),
            assumptions=made,
            result=plan,
            overall=keep_tables(run, plan),
            diagnostics=(run.diagnostics or {}) | {"inputs_known": known},
        )
    report(1.0, "Done")


def _assumptions(run: ForecastRun, book: CostBook, asked: Any, prices: dict[str, Any]) -> dict[str, Any]:
    return {
        "currency": book.currency,
        "prices_of": str(book.valid_from),
        "growth_mean": str(book.growth_mean),
        "growth_sd": str(book.growth_sd),
        "growth_status": book.growth_status,
        "discount_rate": str(book.discount_rate),
        "policy": "run to failure: nothing is replaced before it fails",
        "successor": successor_words(book.organisation_id),
        "care": "as recorded: each heater goes on being cared for as its record shows",
        **prices,
        "entered_priors": asked.priors,
        "watching": watching(run),
    }


@transaction.atomic
def _store(run: ForecastRun, answer: Any, inputs_digest: str, assumptions: dict[str, Any]) -> None:
    """Result, ranked list and state in one transaction."""
    from fleet.planning.chain import digest

    rows = outlook_rows(run, answer)
    HeaterOutlook.objects.filter(run=run).delete()
    write_rows(HeaterOutlook, COLUMNS, rows)
    ForecastRun.objects.filter(pk=run.pk).update(
        state=State.DONE,
        finished_at=timezone.now(),
        engine_version=answer.version[:40],
        inputs_digest=inputs_digest,
        result_digest=digest(answer.plan, [row[RANKED_BY] for row in rows]),
        assumptions=assumptions,
        result=answer.plan,
        overall=keep_tables(run, answer.plan),
        diagnostics=answer.diagnostics,
    )

"""A surveyed portfolio priced for one set of wishes: the price, what it is made of, and what else it could be.

Reads rows and writes none. All answers of one survey come from the same stored futures, so that trying another
scope takes a moment and differs by what is covered, not by luck.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from fleet.care.kinds import task_kinds
from fleet.contracts.book import Figures, figures_of, rates_for
from fleet.contracts.models import CompanyBook, Offer, Survey, SurveyLine
from fleet.contracts.working_out import unpack
from fleet.heaters.models import Heater

if TYPE_CHECKING:
    from forecasting.contract import Care, Clauses, Costs, Quote, Rates, Tally
    from forecasting.contract_futures import Futures

Response = Offer.Response
# Calls are taken to come evenly from 7 to 22 o'clock on all days (assumed); working hours are 8 to 17, Monday to
# Friday. Then 60 of 105 hours lie after hours, and two days of seven are weekends.
AFTER_HOURS_SHARE = {Response.WORKING_DAY: 0.0, Response.ANY_DAY: 2 / 7, Response.HOURS: 60 / 105}
USUAL_CARE = ("flush", "relief_valve_test", "anode_inspection", "tankless_descale")
WORST_SHARE = 1 / 3  # of the heaters, when asking what it would cost if only the dearest were enrolled


class PricingRefused(ValueError):
    """It cannot be priced; the message says why and what would be right."""


@dataclass(frozen=True)
class Wishes:
    """What the company would promise, and what it wants for it."""

    level: str = Offer.Level.REPAIRS
    response: str = Response.ANY_DAY
    years: int = 3
    price_growth: float = 0.03
    limit_a_year: float | None = None
    margin: float = 0.2
    loss_chance: float = 0.1
    care: Mapping[str, int] = field(default_factory=dict)  # task kind -> months between
    experience: float = 1.0  # what a running contract has taught: its costs against the priced ones, weighed


@dataclass(frozen=True)
class Priced:
    quote: Quote
    figures: dict[str, Any]  # plain values for the page and for the offer
    yearly: Any  # (R, T) cost paths


def usual_care() -> dict[str, int]:
    kinds = task_kinds()
    return {code: kinds[code].interval_months for code in USUAL_CARE if code in kinds}


def check_wishes(survey: Survey, wishes: Wishes) -> None:
    if survey.state != Survey.State.READY or survey.futures is None:
        raise PricingRefused("The survey has not been worked out yet; ask for that first.")
    if not 1 <= wishes.years <= survey.horizon_years:
        raise PricingRefused(
            f"{wishes.years} years cannot be priced: this survey looks 1 to {survey.horizon_years} years ahead."
        )
    if wishes.level not in Offer.Level.values or wishes.response not in Response.values:
        raise PricingRefused("Choose a scope and a response time from the lists.")
    if not 0 <= wishes.margin <= 0.9:
        raise PricingRefused(f"A margin of {100 * wishes.margin:g} % cannot be; give 0 to 90 %.")
    if not 0.01 <= wishes.loss_chance <= 0.5:
        raise PricingRefused(f"A chance of loss of {100 * wishes.loss_chance:g} % cannot be; give 1 to 50 %.")
    if not 0 <= wishes.price_growth <= 0.3:
        raise PricingRefused("The yearly growth of the price is 0 to 30 %.")
    if wishes.limit_a_year is not None and not 0 <= wishes.limit_a_year <= 1e8:
        raise PricingRefused("The yearly limit of replacements is 0 or more.")
    if not wishes.care and wishes.level == Offer.Level.CARE:
        raise PricingRefused("Care only, but no care is promised: choose at least one task.")
    for kind, months in wishes.care.items():
        if kind not in task_kinds() or not 1 <= months <= 240:
            raise PricingRefused(f"{kind}: choose a task of the list, every 1 to 240 months.")


@dataclass(frozen=True)
class _Ground:
    """Everything that does not change while the wishes do."""

    futures: Futures
    kinds: list[str]
    buildings: Any
    enrolled: Any
    replaced: Any
    figures: Figures
    rates: Rates
    tallies: dict[bytes, Tally] = field(default_factory=dict)  # by scope, each counted once

    def tally(self, clauses: Clauses) -> Tally:
        from forecasting.contract import tally

        key = clauses.enrolled.tobytes() + clauses.replaced.tobytes()
        if key not in self.tallies:
            self.tallies[key] = tally(self.futures, self.rates, clauses.enrolled, clauses.replaced)
        return self.tallies[key]


def ground_of_heaters(futures: Futures, book: CompanyBook, heaters: Mapping[int, Heater]) -> _Ground:
    """The ground under these heaters, all of them in scope; those of the futures that are not given cost nothing."""
    import numpy as np

    rows = [heaters.get(int(number)) for number in futures.heater_ids]
    kinds = ["" if row is None else str(row.kind) for row in rows]
    figures = figures_of(book)
    buildings = np.array([0 if row is None else row.position.building_id for row in rows], dtype=np.int64)
    every = np.ones(len(rows), dtype=bool)
    return _Ground(futures, kinds, buildings, every, every, figures, rates_for(figures, kinds))


def _ground(survey: Survey, book: CompanyBook) -> _Ground:
    import numpy as np

    assert survey.futures is not None
    futures = unpack(survey.futures)
    lines = {
        number: (verdict, kind, building)
        for number, verdict, kind, building in SurveyLine.objects.filter(survey=survey).values_list(
            "heater_id", "verdict", "heater__kind", "heater__position__building_id"
        )
    }
    numbers = [int(number) for number in futures.heater_ids]
    rows = [lines.get(number, (SurveyLine.Verdict.REFUSED, "", 0)) for number in numbers]
    figures = figures_of(book)
    kinds = [row[1] for row in rows]
    return _Ground(
        futures,
        kinds,
        np.array([row[2] for row in rows], dtype=np.int64),
        np.array([row[0] != SurveyLine.Verdict.REFUSED for row in rows]),
        np.array([row[0] == SurveyLine.Verdict.TAKEN for row in rows]),
        figures,
        rates_for(figures, kinds),
    )


def applies_to(kind: str, heater_kind: str) -> bool:
    return kind in task_kinds() and heater_kind in task_kinds()[kind].applies_to


def wishes_of(offer: Offer) -> Wishes:
    """What an offer promises, as it was wished for."""
    return Wishes(
        level=offer.level,
        response=offer.response,
        years=offer.years,
        price_growth=float(offer.price_growth),
        limit_a_year=None if offer.limit_a_year is None else float(offer.limit_a_year),
        margin=float(offer.margin),
        loss_chance=float(offer.loss_chance),
        care=offer.care,
        experience=float(offer.priced.get("experience", 1.0)),
    )


def care_of(ground: _Ground, care: Mapping[str, int]) -> Care:
    import numpy as np

    from forecasting.contract import Care

    minutes, materials, visits = (np.zeros(len(ground.kinds)) for _ in range(3))
    for code, months in care.items():
        does = np.array([applies_to(code, kind) for kind in ground.kinds], dtype=float)
        times = 12 / months
        minutes += does * task_kinds()[code].minutes * times
        materials += does * ground.figures.of("care_materials", code) * times
        visits = np.maximum(visits, does * times)
    return Care(ground.buildings, minutes, materials, visits)


def clauses_of(ground: _Ground, wishes: Wishes) -> Clauses:
    import numpy as np

    from forecasting.contract import Clauses

    return Clauses(
        level=wishes.level,  # type: ignore[arg-type]
        years=wishes.years,
        after_hours_share=AFTER_HOURS_SHARE[Response(wishes.response)],
        price_growth=wishes.price_growth,
        enrolled=ground.enrolled,
        replaced=ground.replaced,
        limit_a_year=np.inf if wishes.limit_a_year is None else wishes.limit_a_year,
    )


def price(survey: Survey, book: CompanyBook, wishes: Wishes, asked_price: float | None = None) -> Priced:
    """Price the survey's enrolled heaters. Raises PricingRefused with the reason and what would be right."""
    from forecasting import contract as science

    check_wishes(survey, wishes)
    ground = _ground(survey, book)
    if not ground.enrolled.any():
        raise PricingRefused("Nothing is in scope: no surveyed heater can be taken on.")
    care, clauses = care_of(ground, wishes.care), clauses_of(ground, wishes)
    costs = _costs(ground, care, clauses, wishes)
    found = science.quote(costs, clauses, wishes.margin, wishes.loss_chance, asked_price)
    shares = science.heater_shares(ground.futures, care, ground.rates, clauses, costs)
    expected = science.expectations(ground.futures, care, ground.rates, clauses, costs, ground.tally(clauses))
    figures = {
        "quote": {name: round(value, 4) for name, value in vars(found).items()},
        "expected": _plain(vars(expected)),
        "enrolled": int(ground.enrolled.sum()),
        "covered": _numbers(ground.futures, ground.enrolled & ground.replaced),
        "limited": int((ground.enrolled & ~ground.replaced).sum()),
        "surveyed": survey.lines.count(),
        "illustrations": ground.figures.illustrations,
        "scopes": _scopes(ground, care, wishes),
        "clauses": _clause_prices(ground, care, wishes, found),
        "selection": _selection(ground, care, wishes, clauses, shares[0]),
        "water": _water(ground, clauses),
        "heaters": _heaters(ground, clauses, costs, found, shares),
        "years": _years(costs, found, wishes),
        "loading": round(found.revenue / found.expected_cost, 6) if found.expected_cost else 1.0,
    }
    return Priced(found, figures, costs.yearly)


def _numbers(futures: Futures, mask: Any) -> list[int]:
    return [int(number) for number in futures.heater_ids[mask]]


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: _plain(value) if isinstance(value, dict) else round(float(value), 4)
        for name, value in values.items()
    }


def _costs(ground: _Ground, care: Care, clauses: Clauses, wishes: Wishes) -> Costs:
    """Cost paths; what a running contract has taught of its jobs scales theirs. Care costs what it costs."""
    from forecasting import contract as science

    costs = science.cost_paths(ground.futures, care, ground.rates, clauses, ground.tally(clauses))
    if wishes.experience == 1.0:
        return costs
    parts = {
        name: part * (wishes.experience if name in science.UNPLANNED else 1.0)
        for name, part in costs.parts.items()
    }
    return science.Costs(parts, costs.level, costs.capped)


def _asked(ground: _Ground, care: Care, wishes: Wishes, clauses: Clauses | None = None) -> float:
    return _quoted(ground, care, wishes, clauses).price


def _quoted(ground: _Ground, care: Care, wishes: Wishes, clauses: Clauses | None = None) -> Quote:
    from forecasting import contract as science

    what = clauses or clauses_of(ground, wishes)
    costs = _costs(ground, care, what, wishes)
    return science.quote(costs, what, wishes.margin, wishes.loss_chance)


def _scopes(ground: _Ground, care: Care, wishes: Wishes) -> list[dict[str, Any]]:
    """First-year price of every scope at every response time, margin and chance of loss as wished."""
    rows = []
    for level in Offer.Level:
        prices = {
            str(response): round(_asked(ground, care, replace(wishes, level=level, response=response)), 2)
            for response in Response
        }
        rows.append({"level": str(level), "label": str(level.label), "prices": prices})
    return rows


def _clause_prices(ground: _Ground, care: Care, wishes: Wishes, found: Quote) -> list[dict[str, Any]]:
    """What each clause adds to the price and to the risk: now against without it.

    The risk is told as the spread of the whole term's cost: the 90th percentile less the middle.
    """
    import numpy as np

    now = _quoted(ground, care, wishes)
    clauses = clauses_of(ground, wishes)
    rows: list[tuple[str, Clauses | Wishes]] = []
    if wishes.level != Offer.Level.CARE and wishes.response != Response.WORKING_DAY:
        rows.append(
            ("coming sooner than the next working day", replace(wishes, response=Response.WORKING_DAY))
        )
    if wishes.level == Offer.Level.REPLACEMENT:
        rows.append(("replacing what fails", replace(wishes, level=Offer.Level.REPAIRS)))
        if wishes.limit_a_year is not None:
            rows.append(("the yearly limit of replacements", replace(wishes, limit_a_year=None)))
        if (ground.enrolled & ~ground.replaced).any():
            rows.append(("leaving out replacements by exclusion", replace(clauses, replaced=ground.enrolled)))
    if wishes.level != Offer.Level.CARE:
        rows.append(("repairs and calls", replace(wishes, level=Offer.Level.CARE)))
    if wishes.price_growth:
        rows.append(("the yearly growth of the price", replace(wishes, price_growth=0.0)))
    if not ground.enrolled.all():
        everything = replace(clauses, enrolled=np.ones_like(ground.enrolled))
        rows.append(("leaving out heaters not taken on", everything))
    answers = []
    for words, without in rows:
        if isinstance(without, Wishes):
            other = _quoted(ground, care, without)
        else:
            other = _quoted(ground, care, wishes, without)
        risk = (now.ninetieth - now.middle) - (other.ninetieth - other.middle)
        answers.append({"clause": words, "adds": round(now.price - other.price, 2), "risk": round(risk, 2)})
    return answers


def _selection(
    ground: _Ground, care: Care, wishes: Wishes, clauses: Clauses, expected: Any
) -> dict[str, float]:
    """Price a heater of those enrolled, of all surveyed, and if only the dearest third were enrolled."""
    import numpy as np

    enrolled = ground.enrolled
    everything = np.ones_like(enrolled)
    rank = np.argsort(np.where(enrolled, -expected, np.inf), kind="stable")
    worst = np.zeros_like(enrolled)
    worst[rank[: max(1, int(enrolled.sum() * WORST_SHARE))]] = True
    own = _asked(ground, care, wishes) / int(enrolled.sum())
    average = _asked(ground, care, wishes, replace(clauses, enrolled=everything)) / len(enrolled)
    bad = _asked(ground, care, wishes, replace(clauses, enrolled=worst)) / int(worst.sum())
    return {"enrolled": round(own, 2), "all": round(average, 2), "worst_third": round(bad, 2)}


def _water(ground: _Ground, clauses: Clauses) -> dict[str, float]:
    """What the client's water brings or saves against typical water, whole contract, in failures and money."""
    share = clauses.years / ground.futures.years
    more = ground.futures.more_by_water * clauses.enrolled * share
    if clauses.level == Offer.Level.CARE:
        return {"failures": round(float(more.sum()), 3), "money": 0.0}
    rates = ground.rates
    each = rates.call_hours * rates.labour_per_hour + rates.trip + rates.trip_hours * rates.labour_per_hour
    cost = each + (rates.replacement * clauses.replaced if clauses.level == Offer.Level.REPLACEMENT else 0.0)
    return {"failures": round(float(more.sum()), 3), "money": round(float((more * cost).sum()), 2)}


def _heaters(
    ground: _Ground, clauses: Clauses, costs: Costs, found: Quote, shares: tuple[Any, Any]
) -> dict[str, list[float]]:
    """heater -> [what it adds to the first-year price, its expected cost over the contract, its share of the risk]."""
    from forecasting import contract as science

    expected, risk = shares
    whole = float(costs.total.mean())
    expected = expected * (whole / float(expected.sum())) if expected.sum() else expected
    prices = (expected + (found.revenue - whole) * risk) / science.revenue_factor(clauses)
    return {
        str(int(number)): [round(float(prices[i]), 2), round(float(expected[i]), 2), round(float(risk[i]), 5)]
        for i, number in enumerate(ground.futures.heater_ids)
        if clauses.enrolled[i]
    }


def _years(costs: Costs, found: Quote, wishes: Wishes) -> list[dict[str, float]]:
    import numpy as np

    rows = []
    for year in range(wishes.years):
        low, middle, high = np.quantile(costs.yearly[:, year], [0.1, 0.5, 0.9])
        rows.append(
            {
                "year": year + 1,
                "price": round(found.price * (1 + wishes.price_growth) ** year, 2),
                "expected": round(float(costs.yearly[:, year].mean()), 2),
                "p10": round(float(low), 2),
                "p50": round(float(middle), 2),
                "p90": round(float(high), 2),
            }
        )
    return rows


def pack_paths(yearly: Any) -> bytes:
    import numpy as np

    out = io.BytesIO()
    np.savez_compressed(out, yearly=np.asarray(yearly, dtype=np.float32))
    return out.getvalue()


def unpack_paths(packed: bytes | memoryview) -> Any:
    import numpy as np

    with np.load(io.BytesIO(bytes(packed)), allow_pickle=False) as kept:
        return kept["yearly"].astype(float)


def heater_words(numbers: list[int]) -> dict[int, str]:
    return dict(Heater.objects.filter(pk__in=numbers).values_list("pk", "tag"))

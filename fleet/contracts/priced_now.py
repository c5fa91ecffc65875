"""What was priced for what is under contract now: the priced futures over each heater's own stay in the contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from fleet.contracts import book as books
from fleet.contracts import one_heater, pricing
from fleet.contracts.ages import age_of, anniversary
from fleet.contracts.models import Contract, ContractHeater, Offer
from fleet.contracts.working_out import unpack

if TYPE_CHECKING:
    from forecasting.contract_futures import Futures
    from forecasting.contract_stretches import Newcomers, Spans

AGE_UNKNOWN = 10.0  # what a heater of unknown age is priced as: judgement, no source


@dataclass(frozen=True)
class PricedNow:
    """The priced cost up to a day."""

    unplanned: Any  # (R,) jobs, path by path
    planned: float  # promised care
    by_heater: dict[int, float]  # heater -> expected cost, care included

    @property
    def expected_jobs(self) -> float:
        return float(self.unplanned.mean())


def years_in(contract: Contract, day: date) -> float:
    """Contract years from its start to a day: whole ones from anniversary to anniversary."""
    year = 0
    while year < contract.offer.years and anniversary(contract.starts_on, year + 1) <= day:
        year += 1
    begun = anniversary(contract.starts_on, year)
    return year + (day - begun).days / (anniversary(contract.starts_on, year + 1) - begun).days


def priced_by(contract: Contract, rows: Sequence[ContractHeater], day: date) -> PricedNow:
    """Stretch by stretch: who left counts until that day, who came later from that day on, at the age it came with."""
    from forecasting.contract_stretches import in_force, with_newcomers

    offer = contract.offer
    assert offer.survey.futures is not None
    futures = unpack(offer.survey.futures)
    known = {int(number) for number in futures.heater_ids}
    late = [row for row in rows if row.heater_id not in known]
    seen = [] if futures.laws is None else _first_stays(late)
    who = _newcomers(contract, futures, seen)
    futures, happenings = with_newcomers(futures, who, contract.pk)
    ground = pricing.ground_of_heaters(futures, offer.book, {row.heater_id: row.heater for row in rows})
    wishes = pricing.wishes_of(offer)
    found = in_force(
        futures,
        happenings,
        pricing.care_of(ground, offer.care),
        ground.rates,
        pricing.clauses_of(ground, wishes),
        _spans(contract, futures, rows, day),
    )
    numbers = [int(number) for number in futures.heater_ids]
    by_heater = dict(zip(numbers, (float(value) for value in found.by_heater), strict=True))
    unplanned = found.unplanned * wishes.experience
    if (
        futures.laws is None and late
    ):  # kept by an earlier version: newcomers at what they are expected to cost
        for row, cost in _expected(contract, late, day).items():
            by_heater[row] = by_heater.get(row, 0.0) + cost
            unplanned = unplanned + cost
    return PricedNow(unplanned, found.planned, by_heater)


def _first_stays(rows: Sequence[ContractHeater]) -> list[ContractHeater]:
    first: dict[int, ContractHeater] = {}
    for row in sorted(rows, key=lambda one: (one.since, one.pk)):
        first.setdefault(row.heater_id, row)
    return list(first.values())


def _age(row: ContractHeater) -> float:
    age = age_of(row.heater, row.since)
    return AGE_UNKNOWN if age is None else age


def _newcomers(contract: Contract, futures: Futures, rows: Sequence[ContractHeater]) -> Newcomers:
    import numpy as np

    from forecasting.contract_stretches import Newcomers

    kinds = futures.laws.kinds if futures.laws is not None else ()
    counted = [row for row in rows if row.heater.kind in kinds]
    return Newcomers(
        np.array([row.heater_id for row in counted], dtype=np.int64),
        np.array([kinds.index(row.heater.kind) for row in counted], dtype=np.int64),
        np.array([_age(row) for row in counted], dtype=float),
        np.array([years_in(contract, row.since) for row in counted], dtype=float),
    )


def _spans(contract: Contract, futures: Futures, rows: Sequence[ContractHeater], day: date) -> Spans:
    import numpy as np

    from forecasting.contract_stretches import Spans

    place = {int(number): index for index, number in enumerate(futures.heater_ids)}
    counted = [row for row in rows if row.heater_id in place and row.since <= day]
    ends = [
        row.until if row.until is not None and row.until <= day else day + timedelta(days=1)
        for row in counted
    ]
    return Spans(
        np.array([place[row.heater_id] for row in counted], dtype=np.int64),
        np.array([years_in(contract, row.since) for row in counted], dtype=float),
        np.array([min(years_in(contract, end), float(contract.offer.years)) for end in ends], dtype=float),
        np.array([row.replaced for row in counted], dtype=bool),
    )


def _expected(contract: Contract, rows: Sequence[ContractHeater], day: date) -> dict[int, float]:
    offer: Offer = contract.offer
    figures = books.figures_of(offer.book)
    costs: dict[int, float] = {}
    for row in rows:
        until = min(row.until or day, day)
        stay = max(0.0, years_in(contract, until) - years_in(contract, row.since))
        each = one_heater.jobs_of_age(offer.survey, figures, offer, row.heater.kind, _age(row), row.replaced)
        costs[row.heater_id] = costs.get(row.heater_id, 0.0) + each * stay
    return costs

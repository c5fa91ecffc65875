"""How a contract pays: promised against done, how fast, what it cost and brought, and whether that is bad luck."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone

from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.contracts import book as books
from fleet.contracts import one_heater
from fleet.contracts.ages import anniversary
from fleet.contracts.models import Contract, ContractHeater, ContractJob, Offer
from fleet.contracts.priced_now import priced_by, years_in
from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.estate.scope import current_scope
from fleet.heaters.care_record_services import add_service
from fleet.heaters.models import Heater, Kind, ServiceRecord

# Variance of what a job costs against the cost book, from contract to contract: judgement, no source.
BETWEEN_CONTRACTS = 0.04
REPAIRED = ServiceRecord.Work.REPAIRED
KIND_WORDS = dict(Kind.choices)
# Beyond these places in the priced distribution chance alone is a poor excuse: judgement, no source.
UNUSUAL, RARE = 0.9, 0.98
EARLY_YEARS = 0.25  # before that nothing is said of luck


class JobRefused(ValueError):
    """A job that cannot be entered; the message says why and what would be right."""


@transaction.atomic
def enter_job(
    contract: Contract,
    heater: Heater,
    what: str,
    called_at: datetime,
    came_at: datetime,
    hours: Decimal,
    materials: Decimal,
    after_hours: bool,
    words: str = "",
) -> ContractJob:
    """An unplanned job under the contract, costed by the company's book of today.

    A repair is written into the heater's own record too, so that its owner keeps it and the next forecast learns.
    """
    if what not in ContractJob.What.values:
        raise JobRefused("Choose repair, call or replacement.")
    if timezone.is_naive(called_at) or timezone.is_naive(came_at):
        raise JobRefused("The times of the call and of coming need their time zone.")
    place = heater.position.building.property
    today = today_of(contract.client, place)
    came_on = came_at.astimezone(ZoneInfo(place.time_zone)).date()
    if came_on > today:
        raise JobRefused(
            f"Came on {came_on}, but at {contract.client} it is {today}: give a time that has passed."
        )
    if came_at < called_at:
        raise JobRefused(f"Came at {came_at:%Y-%m-%d %H:%M}, before the call at {called_at:%Y-%m-%d %H:%M}.")
    if not 0 <= hours <= 200 or not 0 <= materials <= 1_000_000:
        raise JobRefused("Hours from 0 to 200, materials from 0 to 1,000,000.")
    called = called_at.date()
    rows = contract.heaters.filter(heater=heater, since__lte=called + timedelta(days=1)).filter(
        Q(until=None) | Q(until__gte=called - timedelta(days=1))
    )
    if not rows.exists():
        raise JobRefused(f"{heater.tag} was not under this contract on {called_at:%Y-%m-%d}.")
    figures = books.figures_of(books.ensure_book(contract.organisation))
    cost = Decimal(repr(figures.job_cost(float(hours), float(materials), after_hours))).quantize(
        Decimal("0.01")
    )
    try:
        with transaction.atomic():
            job: ContractJob = ContractJob.objects.create(
                organisation_id=contract.organisation_id,
                contract=contract,
                heater=heater,
                what=what,
                called_at=called_at,
                came_at=came_at,
                hours=hours,
                materials=materials,
                after_hours=after_hours,
                cost=cost,
                words=words.strip()[:300],
                entered_by=current_scope().actor[:200],
            )
    except IntegrityError:
        raise JobRefused("This job is entered already.") from None
    record_change(job, "contract job entered", {"cost": (None, str(cost))}, words)
    if what == ContractJob.What.REPAIR:
        _write_into_the_record(job, came_on)
    return job


def _write_into_the_record(job: ContractJob, day: date) -> None:
    """Once a day: a second repair of the same day stands in the first one's record."""
    if ServiceRecord.objects.filter(heater_id=job.heater_id, kind=REPAIRED, done_latest=day).exists():
        return
    values = {
        "kind": REPAIRED,
        "done_earliest": day,
        "done_latest": day,
        "done_precision": "day",
        "notes": job.words,
        "done_by": job.contract.organisation.name[:200],
    }
    add_service(job.heater, values)


def in_time(contract: Contract, job: ContractJob) -> bool:
    """Whether somebody came within what the offer promised, by the clock of the property."""
    zone = ZoneInfo(job.heater.position.building.property.time_zone)
    called, came = job.called_at.astimezone(zone), job.came_at.astimezone(zone)
    response = contract.offer.response
    if response == Offer.Response.HOURS:
        return job.came_at - job.called_at <= timedelta(hours=4)
    day = called.date() + timedelta(days=1)
    if response == Offer.Response.WORKING_DAY:
        while day.weekday() > 4:
            day += timedelta(days=1)
    return came.date() <= day


@dataclass
class KindRow:
    kind: str
    heaters: int = 0
    revenue: float = 0.0
    cost: float = 0.0
    priced: float = 0.0


@dataclass
class Standing:
    """One contract as it stands today."""

    contract: Contract
    today: date
    elapsed_years: float
    revenue: float
    care_cost: float
    job_cost: float
    care_priced: float
    jobs_priced: float
    place: float  # share of priced futures whose jobs cost less so far
    promised: int
    done: int
    late: int
    jobs: list[ContractJob] = field(default_factory=list)
    came_in_time: int = 0
    kinds: list[KindRow] = field(default_factory=list)
    histogram: list[dict[str, float]] = field(default_factory=list)

    @property
    def cost(self) -> float:
        return self.care_cost + self.job_cost

    @property
    def priced_mean(self) -> float:
        return self.care_priced + self.jobs_priced

    @property
    def earned(self) -> float:
        return self.revenue - self.cost

    @property
    def too_early(self) -> bool:
        return self.elapsed_years < EARLY_YEARS

    @property
    def sentence(self) -> str:
        if self.contract.offer.level == Offer.Level.CARE:
            return "Care only: its cost is hours and trips, which chance has little to do with."
        return verdict(self.place, self.jobs_priced, self.elapsed_years)


def verdict(place: float, priced: float, elapsed_years: float) -> str:
    """Bad luck or a wrong price? In one sentence, on what chance decides: repairs, calls and replacements."""
    if elapsed_years < EARLY_YEARS:
        return "Less than three months have passed: too early to tell luck from a wrong price."
    at = f"in {100 * place:.0f} of 100 priced futures repairs and failures had cost less by now"
    if place > RARE:
        return f"Dearer than nearly all that was priced ({at}): the price is likely too low, not the luck too bad."
    if place > UNUSUAL:
        return f"Dear ({at}): this may be bad luck, but look at the price before renewing."
    if place < 1 - UNUSUAL:
        return f"Cheap ({at}): good luck, or a price with room in it."
    return f"Within what was priced ({at}): what differs from the expected {priced:,.0f} is chance."


def standing_of(contract: Contract, today: date | None = None) -> Standing:
    """Everything about one contract's money and promises up to today. In the company's scope over its client.

    The cost of jobs is held against what was priced for the heaters that were under contract when; care is what
    its hours cost, so whether it came early or late in the year is no matter of luck.
    """
    from forecasting.contract_stretches import share_below

    offer = contract.offer
    day = min(today or today_of(contract.client), contract.ends_on)
    elapsed = max(0.0, min(years_in(contract, day + timedelta(days=1)), float(offer.years)))
    rows = list(contract.heaters.select_related("heater__position"))
    figures = books.figures_of(offer.book)
    care, care_by_heater, promised, done, late = _care(contract, rows, figures, day)
    jobs = list(contract.jobs.select_related("heater__position__building__property"))
    counted = [job for job in jobs if job.called_at.date() <= day + timedelta(days=1)]
    job_cost = float(sum((job.cost for job in counted), Decimal(0)))
    priced = priced_by(contract, rows, day)
    answer = Standing(
        contract=contract,
        today=day,
        elapsed_years=elapsed,
        revenue=sum(revenue_of(contract, row, day) for row in rows),
        care_cost=care,
        job_cost=job_cost,
        care_priced=priced.planned,
        jobs_priced=priced.expected_jobs,
        place=share_below(priced.unplanned, job_cost),
        promised=promised,
        done=done,
        late=late,
        jobs=counted,
        came_in_time=sum(in_time(contract, job) for job in counted),
    )
    answer.kinds = _by_kind(contract, rows, care_by_heater, priced.by_heater, counted, day)
    answer.histogram = histogram(priced.unplanned + care)
    return answer


def histogram(paths: Any, bins: int = 24) -> list[dict[str, float]]:
    """The priced distribution as bars: from, to, share of the paths."""
    import numpy as np

    low, high = float(np.min(paths)), float(np.max(paths))
    if high <= low:
        low, high = low - 0.5, high + 0.5
    counts, edges = np.histogram(paths, bins=bins, range=(low, high))
    return [
        {
            "low": float(edges[i]),
            "high": float(edges[i + 1]),
            "share": float(counts[i] / len(paths)),
        }
        for i in range(bins)
    ]


def revenue_of(contract: Contract, row: ContractHeater, day: date) -> float:
    """What one heater has brought: its part of each contract year's price, by the days it was under contract."""
    growth = 1 + float(contract.offer.price_growth)
    until = min(row.until or day, day)
    total = 0.0
    for year in range(contract.offer.years):
        start = anniversary(contract.starts_on, year)
        stop = anniversary(contract.starts_on, year + 1)
        days = (min(until + timedelta(days=1), stop) - max(row.since, start)).days
        if days > 0:
            total += float(row.price_a_year) * growth**year * days / (stop - start).days
    return total


def _care(
    contract: Contract, rows: Iterable[ContractHeater], figures: books.Figures, day: date
) -> tuple[float, dict[int, float], int, int, int]:
    """Cost of the planned care done so far, by heater too; tasks promised by now, done, and done late or not yet."""
    spans = defaultdict(list)
    for row in rows:
        spans[row.heater_id].append((row.since, row.until or day))
    tasks = Task.objects.filter(heater_id__in=list(spans), kind__in=list(contract.offer.care)).values_list(
        "heater_id", "kind", "state", "closed_on", "promised_by", "heater__position__building_id"
    )
    cost: dict[int, float] = defaultdict(float)
    trips: dict[tuple[int, date], list[int]] = defaultdict(list)
    promised = done = late = 0
    hour = figures.of("labour_hour")
    for number, kind, state, closed, by, building in tasks:
        is_done = state == Task.State.DONE
        when = closed if is_done else by
        if when is None or not any(since <= when <= until for since, until in spans[number]):
            continue
        if by is not None and (by <= day or is_done):
            promised += 1
            done += is_done
            late += (closed > by) if is_done else by < day
        if is_done and closed <= day:
            cost[number] += task_kinds()[kind].minutes / 60 * hour + figures.of("care_materials", kind)
            trips[(building, closed)].append(number)
    for numbers in trips.values():
        for number in numbers:
            cost[number] += figures.trip_cost / len(numbers)
    return sum(cost.values()), cost, promised, done, late


def _by_kind(
    contract: Contract,
    rows: Iterable[ContractHeater],
    care: dict[int, float],
    priced: dict[int, float],
    jobs: Iterable[ContractJob],
    day: date,
) -> list[KindRow]:
    table: dict[str, KindRow] = {}
    seen: set[int] = set()
    for row in rows:
        kind = row.heater.kind
        found = table.setdefault(kind, KindRow(str(KIND_WORDS.get(kind, kind))))
        found.heaters += row.until is None
        found.revenue += revenue_of(contract, row, day)
        if row.heater_id not in seen:
            seen.add(row.heater_id)
            found.cost += care.get(row.heater_id, 0.0)
            found.priced += priced.get(row.heater_id, 0.0)
    for job in jobs:
        if job.heater.kind in table:
            table[job.heater.kind].cost += float(job.cost)
    return sorted(table.values(), key=lambda row: -row.cost)


@dataclass(frozen=True)
class Experience:
    """What a contract taught: what its jobs cost against the cost book, how much that weighs, and what follows."""

    ratio: float
    factor: float  # credibility, 0 to 1
    weighed: float  # what the cost of jobs in the next price is multiplied by
    sentence: str


def experience_of(found: Standing) -> Experience:
    """Credibility-weighted cost of this contract's jobs: Buhlmann's z = n / (n + s2 / a), all told as cost over book.

    How often jobs come is not weighed here: the record holds them, so the renewal's own survey learns it, and it
    would count twice.  n is the number of jobs, fewer where a few dear ones weigh most; s2 the spread of one job's
    cost by the cost book; a the variance between contracts, a stated judgement.
    """
    from forecasting.credibility import credibility_factor, weighted_experience

    offer = found.contract.offer
    figures = books.figures_of(offer.book)
    asked = [_asked_for(found.contract, figures, job) for job in found.jobs]
    whole = sum(asked)
    if not whole:
        return Experience(1.0, 0.0, 1.0, "No job has been entered yet: the price stands on the forecast.")
    count = whole**2 / sum(cost**2 for cost in asked)
    z = credibility_factor(count, figures.of("repair_spread") ** 2, BETWEEN_CONTRACTS)
    ratio = found.job_cost / whole
    weighed = weighted_experience(ratio, 1.0, z)
    number = len(found.jobs)
    sentence = (
        f"{number} job{'' if number == 1 else 's'} cost {100 * ratio:.0f} % of what your cost book says. That weighs "
        f"{100 * z:.0f} %, so a renewal reckons with {100 * weighed:.0f} % of the book for each job. How often jobs come, "
        "its survey learns from the record."
    )
    return Experience(ratio, z, weighed, sentence)


def _asked_for(contract: Contract, figures: books.Figures, job: ContractJob) -> float:
    """What the book that the offer stands on says such a job costs in its contract year."""
    year = int(years_in(contract, max(job.called_at.date(), contract.starts_on)))
    late = 1.0 if job.after_hours else 0.0
    cost = one_heater.job_cost(figures, contract.offer, job.heater.kind, str(job.what), late)
    if job.what == ContractJob.What.REPLACEMENT:
        cost += figures.trip_cost
    return cost * (1 + figures.of("growth_mean")) ** year

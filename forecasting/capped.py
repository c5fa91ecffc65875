"""The plan under caps: which heater in which period, at the least expected cost (mixed-integer programming).

Choose x[i,t] in {0,1}, sum_t x[i,t] <= 1 (= 1 for what must be done), to minimise

    sum_i [ cost[i,T] + sum_t (cost[i,t] - saving[i,t] - cost[i,T]) x[i,t] ] + sum_bt w[b,t],
    w[b,t] >= saving[i,t] x[i,t]   for every heater i of building b,

so that the way to a building is paid once a period, under

    sum_i (spend[i,t] - visit[t]) x[i,t] + visit[t] sum_b u[b,t] <= money[t],   u[b,t] >= x[i,t],

the same within each property that has a cap of its own, and ``sum_i x[i,t] <= crew[t]``.  A choice that does not
beat waiting even with the whole way saved is dominated and dropped before solving.  Solver: HiGHS through
scipy.optimize.milp (Huangfu and Hall 2018, Mathematical Programming Computation 10:119-142).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from forecasting.episodes import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]
NODE_LIMIT = 200  # a count, not a time, so that the same question gives the same plan
LARGEST_EXACT = 20_000  # binary choices; above, the plan is decomposed
NOT_PLANNED = -1


class PlanConflict(ValueError):
    """Wishes that cannot all be met; ``figures`` holds the numbers that conflict."""

    def __init__(self, message: str, figures: Mapping[str, float]) -> None:
        super().__init__(message)
        self.figures = dict(figures)


class SearchEnded(RuntimeError):
    """The search came to its last node before it met any plan."""


@dataclass(frozen=True)
class Choices:
    """What each choice of each heater costs and spends."""

    heater_ids: IntArray  # (N,)
    building: IntArray  # (N,) any ids
    property_id: IntArray  # (N,)
    cost: FloatArray  # (N, T+1) expected cost if planned in period t; the last: not planned in the horizon
    spend: FloatArray  # (N, T) money to set aside in the period, in its own money
    saving: FloatArray  # (N, T) expected cost of the way to the building that is in cost[:, t]
    visit: FloatArray  # (T,) money of the way that is in spend[:, t]

    @property
    def periods(self) -> int:
        return int(self.spend.shape[1])

    def buildings(self) -> tuple[IntArray, int]:
        """Building index 0..B-1 of each heater, and B."""
        ids, index = np.unique(self.building, return_inverse=True)
        return np.asarray(index, dtype=np.int64), len(ids)

    def subset(self, rows: IntArray) -> Choices:
        return Choices(
            self.heater_ids[rows],
            self.building[rows],
            self.property_id[rows],
            self.cost[rows],
            self.spend[rows],
            self.saving[rows],
            self.visit,
        )


@dataclass(frozen=True)
class Limits:
    """What the plan must keep to; an absent limit binds nothing."""

    money: FloatArray | None = None  # (T,)
    property_money: Mapping[int, FloatArray] = field(default_factory=dict)  # (T,) each
    crew: FloatArray | None = None  # (T,) heaters a period
    must_by: IntArray | None = None  # (N,) latest period, -1 = need not
    must_not: BoolArray | None = None  # (N,)

    def must(self, count: int) -> IntArray:
        return np.full(count, NOT_PLANNED) if self.must_by is None else np.asarray(self.must_by, np.int64)

    def allowed(self, count: int, periods: int) -> BoolArray:
        """(N, T) which choices the lists allow."""
        by = self.must(count)
        answer = (by[:, None] < 0) | (np.arange(periods) <= by[:, None])
        if self.must_not is not None:
            answer &= ~self.must_not[:, None]
        return answer


@dataclass(frozen=True)
class CappedPlan:
    """A plan, its cost, and how far from the best it can be."""

    period: IntArray  # (N,) 0..T-1, -1 = not planned
    cost: float  # sum of expected costs, ways to buildings shared
    bound: float  # no plan can cost less
    spend: FloatArray  # (T,)
    count: IntArray  # (T,)
    method: str  # 'exact' | 'decomposed'

    @property
    def gap(self) -> float:
        """Money by which the plan may exceed the best one."""
        return max(0.0, self.cost - self.bound)


def plan_spend(choices: Choices, period: IntArray, property_id: int | None = None) -> FloatArray:
    """(T,) money the plan sets aside in each period, the way to a building once."""
    index, _ = choices.buildings()
    rows = np.flatnonzero(period >= 0)
    if property_id is not None:
        rows = rows[choices.property_id[rows] == property_id]
    at = period[rows]
    answer = np.bincount(at, choices.spend[rows, at], minlength=choices.periods)
    visits = np.unique(index[rows] * choices.periods + at) % choices.periods
    planned = np.bincount(at, minlength=choices.periods)
    return np.asarray(answer - choices.visit * (planned - np.bincount(visits, minlength=choices.periods)))


def plan_cost(choices: Choices, period: IntArray) -> float:
    """Expected cost of any plan, as the solver counts it."""
    index, count = choices.buildings()
    rows = np.flatnonzero(period >= 0)
    at = period[rows]
    total = choices.cost[:, -1].sum() + (choices.cost[rows, at] - choices.cost[rows, -1]).sum()
    shared = np.zeros(count * choices.periods)
    saving = choices.saving[rows, at]
    np.maximum.at(shared, index[rows] * choices.periods + at, saving)
    return float(total - saving.sum() + shared.sum())


def capped_plan(choices: Choices, limits: Limits, relative_gap: float = 0.01) -> CappedPlan:
    """The plan of least expected cost; exact up to 20,000 open choices, decomposed above.

    The bound is stated in both cases: ``plan.gap`` is the money by which a better plan could at most be better.
    ``relative_gap`` is a share of what planning saves.  A search ends at a count of nodes and never at a time, so
    that a slow or busy machine gives the same plan; where it ends without any, the plan is decomposed.
    Raises PlanConflict with the figures when the lists and the caps cannot all be met.
    """
    from forecasting.decomposed import decomposed_plan

    check(choices, limits)
    open_choices = candidates(choices, limits)
    if int(open_choices.sum()) > LARGEST_EXACT:
        return decomposed_plan(choices, limits)
    try:
        return exact_plan(choices, limits, open_choices, relative_gap)
    except SearchEnded:
        return decomposed_plan(choices, limits)


def check(choices: Choices, limits: Limits) -> None:
    """Refuse shapes, negative prices, and lists and caps that conflict on sight."""
    count, periods = choices.spend.shape
    if periods < 1:
        raise PlanConflict(
            "A plan over 0 years holds no year to replace in: give at least 1.", {"years": 0.0}
        )
    if choices.cost.shape != (count, periods + 1) or choices.saving.shape != (count, periods):
        raise ValueError("cost must be (N, T+1), spend and saving (N, T)")
    lowest = float(choices.spend.min(initial=0.0))
    if lowest < 0 or float(choices.visit.min(initial=0.0)) < 0:
        raise PlanConflict(f"A price of {lowest:,.2f} is below 0: a price is 0 or more.", {"price": lowest})
    short = float((choices.spend - choices.visit).min(initial=0.0))
    if short < 0:
        raise PlanConflict(
            f"The way to a building costs {-short:,.2f} more than a whole replacement of which it is a part.",
            {"excess": -short},
        )
    caps: list[tuple[str | int, FloatArray | None]] = [("money", limits.money), ("crew", limits.crew)]
    for name, cap in (*caps, *limits.property_money.items()):
        if cap is not None and (cap.shape != (periods,) or np.isnan(cap).any() or (cap < 0).any()):
            raise PlanConflict(
                f"The cap on {name if isinstance(name, str) else f'property {name}'} must hold {periods} amounts "
                "of 0 or more, one a period.",
                {"periods": float(periods), "amounts": float(np.size(cap))},
            )
    by = limits.must(count)
    if limits.must_not is not None and (both := np.flatnonzero((by >= 0) & limits.must_not)).size:
        names = ", ".join(str(choices.heater_ids[row]) for row in both[:5])
        raise PlanConflict(
            f"{both.size} heaters are both on the list that must be done and on the one that must not: {names}.",
            {"on_both_lists": float(both.size)},
        )
    _check_must(choices, limits, by)


def _check_must(choices: Choices, limits: Limits, by: IntArray) -> None:
    """The must list against the money and the crew up to its deadlines, at its cheapest."""
    rows = np.flatnonzero(by >= 0)
    if not len(rows):
        return
    caps: list[tuple[str, FloatArray | None, IntArray]] = [("overall", limits.money, rows)]
    for property_id, cap in limits.property_money.items():
        caps.append((f"of property {property_id}", cap, rows[choices.property_id[rows] == property_id]))
    for where, money, those in caps:
        if money is None or not len(those):
            continue
        for deadline in np.unique(by[those]):
            due = those[by[those] <= deadline]
            if (need := _least_money(choices, due, int(deadline))) > (
                have := float(money[: deadline + 1].sum())
            ):
                raise PlanConflict(
                    f"The {len(due)} heaters that must be done by period {deadline + 1} cost at least {need:,.2f}; "
                    f"the cap {where} gives {have:,.2f} up to then, {need - have:,.2f} too little.",
                    {"must_cost": need, "cap": have, "missing": need - have},
                )
    if limits.crew is not None:
        for deadline in np.unique(by[rows]):
            due_count = int((by[rows] <= deadline).sum())
            hands = float(np.floor(limits.crew[: deadline + 1]).sum())
            if due_count > hands:
                raise PlanConflict(
                    f"{due_count} heaters must be done by period {deadline + 1}; the crew can do {hands:,.0f} by then.",
                    {"must_count": float(due_count), "crew": hands},
                )


def _least_money(choices: Choices, rows: IntArray, deadline: int) -> float:
    """A lower bound of the money these heaters need: each at its cheapest period, each building one visit."""
    least = (choices.spend[rows, : deadline + 1] - choices.visit[: deadline + 1]).min(axis=1).sum()
    visits = len(np.unique(choices.building[rows]))
    return float(least + visits * choices.visit[: deadline + 1].min())


def candidates(choices: Choices, limits: Limits) -> BoolArray:
    """(N, T) choices that the lists allow and that could beat waiting."""
    gain = choices.cost[:, -1:] - choices.cost[:, :-1] + choices.saving
    must = limits.must(len(choices.heater_ids)) >= 0
    return np.asarray(limits.allowed(*choices.spend.shape) & ((gain > 0) | must[:, None]))


@dataclass
class _Rows:
    """Constraint rows under construction: row, column, value triplets and bounds."""

    row: list[IntArray] = field(default_factory=list)
    column: list[IntArray] = field(default_factory=list)
    value: list[FloatArray] = field(default_factory=list)
    low: list[FloatArray] = field(default_factory=list)
    high: list[FloatArray] = field(default_factory=list)
    count: int = 0

    def add(self, rows: IntArray, columns: IntArray, values: FloatArray) -> None:
        self.row.append(rows + self.count)
        self.column.append(columns)
        self.value.append(values)

    def close(self, low: FloatArray, high: FloatArray) -> None:
        self.low.append(low)
        self.high.append(high)
        self.count += len(low)

    def constraint(self, columns: int) -> LinearConstraint:
        triplets = (np.concatenate(self.row), np.concatenate(self.column))
        matrix = sparse.csr_array((np.concatenate(self.value), triplets), shape=(self.count, columns))
        return LinearConstraint(matrix, np.concatenate(self.low), np.concatenate(self.high))


def exact_plan(
    choices: Choices,
    limits: Limits,
    open_choices: BoolArray,
    relative_gap: float = 0.01,
) -> CappedPlan:
    """Solve the whole at once.

    Raises PlanConflict when nothing meets the lists and caps, SearchEnded when the nodes ran out before a plan.
    """
    count, periods = choices.spend.shape
    heater, at = np.nonzero(open_choices)
    must = limits.must(count) >= 0
    if not len(heater):
        return finished(choices, np.full(count, NOT_PLANNED), None, "exact")
    index, _ = choices.buildings()
    many = np.bincount(index)[index] > 1  # alone in its building: nothing to share
    shared = many[heater]
    ways, way_of = np.unique(index[heater[shared]] * periods + at[shared], return_inverse=True)
    x, y = len(heater), len(ways)
    own = np.where(shared, choices.saving[heater, at], 0.0)
    objective = np.concatenate(
        [choices.cost[heater, at] - own - choices.cost[heater, -1], np.zeros(y), np.ones(y)]
    )
    rows = _Rows()
    rows.add(heater, np.arange(x), np.ones(x))
    rows.close(must.astype(float), np.ones(count))
    _add_ways(rows, np.flatnonzero(shared), way_of, x, y, own)
    visits = (x + np.arange(y), ways % periods, _property_of_way(choices, index, ways // periods))
    _add_caps(rows, choices, limits, heater, at, shared, visits)
    answer = milp(
        objective,
        integrality=np.concatenate([np.ones(x), np.zeros(2 * y)]),
        bounds=Bounds(0, np.concatenate([np.ones(x + y), np.full(y, np.inf)])),
        constraints=rows.constraint(x + 2 * y),
        options={"mip_rel_gap": relative_gap, "node_limit": NODE_LIMIT},
    )
    if answer.x is None:
        raise _no_plan(choices, limits, must, answer.status == 2)
    period = np.full(count, NOT_PLANNED)
    chosen = answer.x[:x] > 0.5
    period[heater[chosen]] = at[chosen]
    bound = float(answer.mip_dual_bound) + float(choices.cost[:, -1].sum())
    return finished(choices, period, bound, "exact")


def _property_of_way(choices: Choices, index: IntArray, building: IntArray) -> IntArray:
    first = np.zeros(int(index.max()) + 1, dtype=np.int64)
    first[index] = choices.property_id
    return first[building]


def _add_ways(rows: _Rows, columns: IntArray, way_of: IntArray, x: int, y: int, own: FloatArray) -> None:
    """u >= x and w >= saving x, one row each for every choice in a building of several heaters."""
    lines, ones = np.arange(len(columns)), np.ones(len(columns))
    for place, weight in ((x, ones), (x + y, own[columns])):
        rows.add(lines, place + way_of, ones)
        rows.add(lines, columns, -weight)
        rows.close(np.zeros(len(columns)), np.full(len(columns), np.inf))


def _add_caps(
    rows: _Rows,
    choices: Choices,
    limits: Limits,
    heater: IntArray,
    at: IntArray,
    shared: BoolArray,
    visits: tuple[IntArray, IntArray, IntArray],
) -> None:
    money = choices.spend[heater, at] - np.where(shared, choices.visit[at], 0.0)
    columns = np.arange(len(heater))
    way_column, way_period, way_property = visits
    caps = [(limits.money, np.ones(len(heater), bool), np.ones(len(way_column), bool))]
    caps += [
        (cap, choices.property_id[heater] == property_id, way_property == property_id)
        for property_id, cap in limits.property_money.items()
    ]
    for cap, mine, ways in caps:
        if cap is not None:
            rows.add(at[mine], columns[mine], money[mine])
            rows.add(way_period[ways], way_column[ways], choices.visit[way_period[ways]])
            rows.close(np.full(choices.periods, -np.inf), cap)
    if limits.crew is not None:
        rows.add(at, columns, np.ones(len(heater)))
        rows.close(np.full(choices.periods, -np.inf), limits.crew)


def _no_plan(choices: Choices, limits: Limits, must: BoolArray, impossible: bool) -> Exception:
    if not impossible:
        return SearchEnded(f"No plan was found within {NODE_LIMIT} nodes.")
    rows = np.flatnonzero(must)
    need = _least_money(choices, rows, choices.periods - 1)
    have = float("inf") if limits.money is None else float(limits.money.sum())
    dearest = float(choices.spend[rows].min(axis=1).max(initial=0.0))
    largest = float("inf") if limits.money is None else float(limits.money.max())
    return PlanConflict(
        f"The {len(rows)} heaters that must be done cost at least {need:,.2f}, the dearest {dearest:,.2f}; with "
        f"{have:,.2f} in all and at most {largest:,.2f} in one period, the caps of properties and the crew, "
        "they cannot all be placed. Raise a cap, move a deadline or take a heater off the list.",
        {"must_cost": need, "dearest": dearest, "cap": have, "largest_period": largest},
    )


def finished(choices: Choices, period: IntArray, bound: float | None, method: str) -> CappedPlan:
    cost = plan_cost(choices, period)
    count = np.bincount(period[period >= 0], minlength=choices.periods)
    bound = cost if bound is None else min(bound, cost)
    return CappedPlan(period, cost, bound, plan_spend(choices, period), count, method)


def sorted_plan(choices: Choices, limits: Limits, urgency: FloatArray) -> CappedPlan:
    """What a list sorted by ``urgency`` (N,) gives: each period from the top while money and crew last.

    The plain rule that the capped plan is measured against; the must list goes first.  Its bound is not known
    and is stated as minus infinity.
    """
    from forecasting.decomposed import Filling

    filling = Filling(choices, limits)
    must = limits.must(len(choices.heater_ids)) >= 0
    allowed = limits.allowed(*choices.spend.shape)
    order = np.lexsort((choices.heater_ids, -urgency, ~must))
    for at in range(choices.periods):
        for row in order:
            if filling.period[row] < 0 and allowed[row, at] and filling.fits(int(row), at):
                filling.place(int(row), at)
    return finished(choices, filling.period, float("-inf"), "sorted")

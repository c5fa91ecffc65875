"""Plans for portfolios too large to solve whole: Lagrangian prices of money and crew, then a filled plan.

With prices lambda >= 0 a unit of money and nu >= 0 a heater on the caps the heaters fall apart:

    L(lambda, nu) = sum_i min_t [cost[i,t] + lambda_t spend[i,t] + nu_t] - lambda . money - nu . crew

is a lower bound of the cost of every plan whatever the prices (weak duality; Geoffrion 1974, Mathematical
Programming Study 2:82-114, from memory, not verified).  The way to a building is bounded by a weighted mean of its
heaters' shares, since the largest of some numbers is at least any weighted mean of them; the weights follow the
heaters that are chosen (exponentiated gradient).  Prices climb by projected subgradient steps of Polyak's length.
A plan is then filled by those prices, so the stated gap is honest even where it is not small.
"""

from __future__ import annotations

import numpy as np

from forecasting.capped import (
    NOT_PLANNED,
    BoolArray,
    CappedPlan,
    Choices,
    Limits,
    PlanConflict,
    SearchEnded,
    candidates,
    exact_plan,
    finished,
    plan_cost,
)
from forecasting.episodes import FloatArray, IntArray

ROUNDS = 300
REFILL_EVERY = 100
SMALLEST_STEP = 1e-4
SHARE_STEP = 1.0


class Filling:
    """A plan under construction that knows what each next heater would spend and whether it fits."""

    def __init__(self, choices: Choices, limits: Limits) -> None:
        count, periods = choices.spend.shape
        self.choices = choices
        self.index, buildings = choices.buildings()
        self.period = np.full(count, NOT_PLANNED)
        self.visits = np.zeros((buildings, periods), dtype=np.int64)
        infinite = np.full(periods, np.inf)
        slack = 1e-9
        self.money = (infinite if limits.money is None else limits.money).astype(float) + slack
        self.crew = np.floor(infinite if limits.crew is None else limits.crew)
        self.own = {key: cap.astype(float) + slack for key, cap in limits.property_money.items()}

    def price(self, row: int, at: int) -> float:
        visited = self.visits[self.index[row], at] > 0
        return float(self.choices.spend[row, at] - (self.choices.visit[at] if visited else 0.0))

    def fits(self, row: int, at: int) -> bool:
        price = self.price(row, at)
        own = self.own.get(int(self.choices.property_id[row]))
        return bool(price <= self.money[at] and self.crew[at] >= 1 and (own is None or price <= own[at]))

    def place(self, row: int, at: int) -> None:
        price = self.price(row, at)
        self.period[row] = at
        self.visits[self.index[row], at] += 1
        self.money[at] -= price
        self.crew[at] -= 1
        if (own := self.own.get(int(self.choices.property_id[row]))) is not None:
            own[at] -= price


class _Prices:
    """Prices of the caps and the bound they give."""

    def __init__(self, choices: Choices, limits: Limits, open_choices: BoolArray) -> None:
        self.choices = choices
        self.index, self.buildings = choices.buildings()
        members = np.bincount(self.index)[self.index]
        self.several = np.flatnonzero(members > 1)
        self.log_share = np.repeat(-np.log(members)[:, None], choices.periods, axis=1)
        self.open = open_choices
        self.must = limits.must(len(choices.heater_ids)) >= 0
        self.base = float(choices.cost[:, -1].sum())
        self._share_ways()
        periods = choices.periods
        self.caps: list[FloatArray] = []
        self.member: list[IntArray | None] = []
        if limits.money is not None:
            self._cap(limits.money, None)
        for property_id, cap in limits.property_money.items():
            self._cap(cap, np.flatnonzero(choices.property_id == property_id))
        self.crew = None if limits.crew is None else np.floor(limits.crew).astype(float)
        self.rate = np.zeros((len(self.caps), periods))
        self.hand = np.zeros(periods)

    def _cap(self, cap: FloatArray, rows: IntArray | None) -> None:
        # An unbounded cap never binds; a finite stand-in keeps 0 x infinity out of the sums.
        self.caps.append(np.where(np.isinf(cap), self.spend.sum() + 1.0, cap).astype(float))
        self.member.append(rows)

    def _share_ways(self) -> None:
        """Cost and money of each choice with its share of the way to its building."""
        spared = 1 - np.exp(self.log_share)
        gain = self.choices.cost[:, :-1] - self.choices.saving * spared - self.choices.cost[:, -1:]
        self.reduced = np.where(self.open, gain, np.inf)
        self.spend = self.choices.spend - self.choices.visit * spared

    def move_shares(self, taken: IntArray, at: IntArray, step: float) -> None:
        """Let those who go pay more of the way: shares of a building and period still sum to 1."""
        if not len(self.several):
            return
        self.log_share[taken, at] += step
        rows, periods = self.several, self.choices.periods
        cell = self.index[rows][:, None] * periods + np.arange(periods)
        weight = np.exp(np.maximum(self.log_share[rows], -30.0))
        total = np.bincount(cell.ravel(), weight.ravel(), minlength=self.buildings * periods)
        self.log_share[rows] = np.log(weight) - np.log(total[cell])
        alone = np.setdiff1d(taken, rows, assume_unique=True)
        self.log_share[alone] = 0.0
        self._share_ways()

    def charged(self) -> FloatArray:
        """(N, T) reduced cost of each choice at the prices."""
        answer = self.reduced + self.hand
        for rate, rows in zip(self.rate, self.member, strict=True):
            if rows is None:
                answer += rate * self.spend
            else:
                answer[rows] += rate * self.spend[rows]
        return answer

    def bound(self) -> tuple[float, FloatArray, FloatArray, IntArray, IntArray]:
        """L at the prices, its subgradients by the money and the crew prices, who goes and when."""
        charged = self.charged()
        at = charged.argmin(axis=1)
        best = charged[np.arange(len(at)), at]
        taken = np.flatnonzero(self.must | (best < 0))
        value = self.base + float(best[taken].sum())
        slope = np.zeros(self.rate.shape)
        for number, (cap, rows) in enumerate(zip(self.caps, self.member, strict=True)):
            those = taken if rows is None else np.intersect1d(taken, rows, assume_unique=True)
            used = np.bincount(at[those], self.spend[those, at[those]], minlength=len(cap))
            slope[number] = used - cap
            value -= float(self.rate[number] @ cap)
        hand_slope = np.zeros(len(self.hand))
        if self.crew is not None:
            hand_slope = np.bincount(at[taken], minlength=len(self.crew)) - self.crew
            value -= float(self.hand @ self.crew)
        return value, slope, hand_slope, taken, at[taken]


def decomposed_plan(choices: Choices, limits: Limits, rounds: int = ROUNDS) -> CappedPlan:
    """A filled plan and the best Lagrangian bound found.  Raises PlanConflict when the must list finds no place."""
    open_choices = candidates(choices, limits)
    prices = _Prices(choices, limits, open_choices)
    musts = _place_musts(choices, limits)
    plan = _fill(choices, limits, prices, musts)
    cost = plan_cost(choices, plan)
    best_bound, best_rate, best_hand = -np.inf, prices.rate, prices.hand
    scale, stale = 1.0, 0
    # Heads and money are measured in units of their own so that one step length serves both.
    unit = float(np.median(choices.spend)) or 1.0
    for turn in range(1, rounds + 1):
        value, slope, hand_slope, taken, at = prices.bound()
        if value > best_bound + 1e-9 * abs(cost):
            best_bound, best_rate, best_hand, stale = value, prices.rate.copy(), prices.hand.copy(), 0
        else:
            stale += 1
            if stale % 10 == 0:
                scale /= 2
                prices.rate, prices.hand = best_rate.copy(), best_hand.copy()
                _, slope, hand_slope, taken, at = prices.bound()
        slope = np.where((prices.rate <= 0) & (slope < 0), 0, slope)
        hand_slope = np.where((prices.hand <= 0) & (hand_slope < 0), 0, hand_slope)
        norm = float((slope / unit).ravel() @ (slope / unit).ravel() + hand_slope @ hand_slope)
        if norm == 0 or scale < SMALLEST_STEP or cost - best_bound <= 1e-6 * abs(cost):
            break
        step = scale * max(cost - value, 0.0) / norm
        prices.rate = np.maximum(prices.rate + step * slope / unit**2, 0)
        prices.hand = np.maximum(prices.hand + step * hand_slope, 0)
        prices.move_shares(taken, at, SHARE_STEP / turn**0.5)
        if turn % REFILL_EVERY == 0:
            plan, cost = _better(choices, plan, cost, _fill(choices, limits, prices, musts))
    prices.rate, prices.hand = best_rate, best_hand
    plan, cost = _better(choices, plan, cost, _fill(choices, limits, prices, musts))
    return finished(choices, plan, best_bound, "decomposed")


def _better(choices: Choices, plan: IntArray, cost: float, other: IntArray) -> tuple[IntArray, float]:
    found = plan_cost(choices, other)
    return (other, found) if found < cost else (plan, cost)


def _place_musts(choices: Choices, limits: Limits) -> IntArray:
    """The must list alone, exactly, so that it is placed whenever it can be."""
    count = len(choices.heater_ids)
    period = np.full(count, NOT_PLANNED)
    rows = np.flatnonzero(limits.must(count) >= 0)
    if not len(rows):
        return period
    own = Limits(
        limits.money,
        {key: cap for key, cap in limits.property_money.items() if (choices.property_id[rows] == key).any()},
        limits.crew,
        limits.must(count)[rows],
    )
    part = choices.subset(rows)
    try:
        period[rows] = exact_plan(part, own, candidates(part, own), relative_gap=1e-3).period
    except SearchEnded as slow:
        raise PlanConflict(
            f"The {len(rows)} heaters that must be done could not be placed under the caps; raise a cap or shorten the list.",
            {"must_count": float(len(rows))},
        ) from slow
    return period


def _fill(choices: Choices, limits: Limits, prices: _Prices, musts: IntArray) -> IntArray:
    """Heaters in order of what they gain at the prices, each at its best choice that still fits."""
    filling = Filling(choices, limits)
    for row in np.flatnonzero(musts >= 0):
        filling.place(int(row), int(musts[row]))
    charged = prices.charged()
    charged[musts >= 0] = np.inf
    spend = np.maximum(choices.spend.min(axis=1), 1e-9)
    ranking = np.argsort(charged, axis=1)
    worth = charged.min(axis=1) / spend
    gain = choices.cost[:, :-1] - choices.cost[:, -1:]
    order = np.argsort(worth, kind="stable")
    order = order[np.isfinite(worth[order])]
    for row in order.tolist():
        if worth[row] >= 0:
            break
        _place_first(filling, row, ranking[row], charged[row], gain[row], choices.saving[row])
    left = np.flatnonzero((filling.period < 0) & np.isfinite(worth))
    best = np.where(np.isfinite(charged[left]), gain[left], np.inf)
    for row in left[np.argsort(best.min(axis=1) / spend[left], kind="stable")].tolist():
        _place_first(filling, row, np.argsort(gain[row]), charged[row], gain[row], choices.saving[row])
    return filling.period


def _place_first(
    filling: Filling, row: int, ranking: IntArray, charged: FloatArray, gain: FloatArray, saving: FloatArray
) -> None:
    """Place a heater at the first choice of its ranking that fits and truly beats waiting."""
    building = filling.index[row]
    for at in ranking.tolist():
        if not np.isfinite(charged[at]):
            continue
        shared = saving[at] if filling.visits[building, at] else 0.0
        if gain[at] - shared < 0 and filling.fits(row, at):
            filling.place(row, at)
            return

"""A large forecast cut into blocks of whole properties that share one fit, each followed by itself, then joined.

The parameters are fitted on a sample of whole properties; each building's own multiplier is drawn in its block, from
what that building has seen, so that no process ever holds the whole fleet. On path r every block takes draw r of the parameters and path r of the prices, so blocks add up path by path: the
portfolio's spread is that of the sums. How a fleet is cut depends on the fleet alone, never on how many workers there
are, and blocks are added in their order, so the numbers are the same to the bit whoever computes them.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from fleet.planning import chain, priors, tables
from fleet.planning.remedies import MOST_HEATERS, remedies

if TYPE_CHECKING:
    from fleet.planning.chain import Asked, Ground
    from fleet.planning.prices import Pricing
    from forecasting.episodes import Episodes, FutureStates, Records
    from forecasting.posterior import Posterior

BLOCK_HEATERS = 4000  # in service; up to half as many more are still followed in one piece
FIT_HEATERS = (
    40_000  # on record: some 25,000 failures, from which any further one would teach next to nothing
)
LARGE_DRAWS = 200  # of the parameters, for each path its own
EXPECTED_PATHS = 40  # for which chance is averaged out, to tell its share of the spread
# Heaters in service times joint paths: 24,000 heaters get 1,000 paths, 60,000 get 400, and none fewer than 200. The
# more heaters, the less chance weighs in the total, and the fewer paths tell its spread.
LARGEST_WORK = 24_000_000
LEAST_PATHS = 200
LISTED = 300  # groups written into a large run's own result; the others stand with their block


def cut(standing: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Properties by block, from their heaters in service, in the order of their numbers. A small fleet is one block."""
    if sum(count for _, count in standing) <= BLOCK_HEATERS * 1.5:
        return [[number for number, _ in standing]]
    blocks: list[list[int]] = [[]]
    held = 0
    for number, count in standing:
        if held >= BLOCK_HEATERS:
            blocks.append([])
            held = 0
        blocks[-1].append(number)
        held += count
    return blocks


def sample(recorded: Sequence[tuple[int, int]]) -> list[int]:
    """Properties to fit on, evenly spaced over the numbers: all of a fleet of at most FIT_HEATERS on record."""
    total = sum(count for _, count in recorded)
    if total <= FIT_HEATERS:
        return [number for number, _ in recorded]
    step = total / FIT_HEATERS
    wanted = round(len(recorded) / step)
    return [recorded[int(at * step)][0] for at in range(wanted)]


def shared_ground(
    records: Records, posterior: Posterior, asked: Asked, standing: Sequence[tuple[int, int]]
) -> Ground:
    """Calendars, number of paths and the ageing of successors, the same for every block."""
    from forecasting.episodes import future_states
    from forecasting.risk import ageing_profile

    ground = chain.ground_of(records.as_of, [number for number, _ in standing], asked)
    states = future_states(records, posterior.kinds, posterior.buildings, asked.horizon_years + 1)
    total = sum(count for _, count in standing)
    most = min(asked.draws, LARGE_DRAWS, max(LEAST_PATHS, LARGEST_WORK // total))
    return replace(ground, paths=most, ageing=ageing_profile(posterior, states))


@dataclass(frozen=True)
class Block:
    """What one block says: its heaters, its own groups' tables, and what is added to the portfolio's."""

    answer: chain.Answer  # outlooks, reasons, remedies; no plan
    figures: dict[str, Any]  # arrays: the years' figures of this block's own groups
    sums: dict[str, Any]  # arrays: by path, cell and kind, or by path and cell
    facts: dict[str, Any]  # counts that are added


@dataclass(frozen=True)
class Ready:
    """What a block is told by its own record and the prices, before anything is known of the fit."""

    records: Records
    inputs: str  # their digest
    episodes: Episodes
    states: FutureStates
    pricing: Pricing


def make_ready(
    records: Records, kinds: tuple[str, ...], price: Callable[[Sequence[int]], Pricing], asked: Asked
) -> Ready:
    """The first third of the work on a block. `kinds` are those in which the fit counts."""
    from forecasting.episodes import build_episodes, future_states

    episodes = build_episodes(records, kinds)
    states = future_states(records, kinds, episodes.buildings, asked.horizon_years + 1)
    pricing = price([int(heater) for heater in states.heater_ids])
    inputs = chain.digest(records.heaters, records.services, records.waters)
    return Ready(records, inputs, episodes, states, pricing)


def compute(
    number: int,
    ready: Ready,
    parameters: Posterior,
    asked: Asked,
    ground: Ground,
    share: float,
) -> Block:
    """One block. `share` is its share of the fleet, and of the heaters for which remedies are tried."""
    from forecasting.buildings import with_buildings
    from forecasting.lifetimes import load_prior
    from forecasting.outlook import heater_outlooks, reasons

    records, states, pricing = ready.records, ready.states, ready.pricing
    prior = load_prior(list(parameters.kinds), parameters.covariates, *priors.tables(asked.priors))
    posterior = with_buildings(parameters, ready.episodes, prior)
    # Fates of their own; 2**32 keeps them apart from any seed a person can give.
    ground = replace(ground, chance_seed=asked.seed + (number + 1) * 2**32, expected_paths=EXPECTED_PATHS)
    outlooks = heater_outlooks(posterior, states)
    why = reasons(posterior, states)
    helping = remedies(posterior, records, outlooks, max(10, round(MOST_HEATERS * share)))
    streams, groups = chain.follow(records, posterior, states, pricing, asked, ground)
    paths = tables.Paths.of(streams.ends, streams.price_level)
    expected = paths.expected()
    figures = _figures(paths, expected, groups, ground)
    outlooks = outlooks.assign(
        planned_cost=[str(cost) for cost in pricing.planned],
        emergency_cost=[str(cost) for cost in pricing.emergency],
    )
    facts = {
        "heaters": len(states.heater_ids),
        "known": {name: int(mask.sum()) for name, mask in states.known.items()},
        "status_counts": pricing.status_counts,
        "size_assumed": pricing.size_assumed,
        "made_of": pricing.made_of,
        "method": streams.method,
    }
    sums = _sums(
        streams, paths, expected, [posterior.kinds.index(group[2]) for group in groups], len(posterior.kinds)
    )
    return Block(chain.Answer({}, outlooks, why, {}, posterior.version, helping), figures, sums, facts)


def _figures(
    paths: tables.Paths, expected: tables.Expected, groups: list[tuple[int, int, str]], ground: Ground
) -> dict[str, Any]:
    """By property and by building in the portfolio's years; properties with other fiscal years in those too."""
    import numpy as np

    answer: dict[str, Any] = {}

    def keep(name: str, labels: Sequence[int | None], month: int) -> None:
        keys, found = tables.figures(paths, expected, labels, ground.in_year[month])
        if keys:
            answer[f"{name} keys"] = np.array(keys, dtype=np.int64)
            answer[f"{name} sums"], answer[f"{name} spreads"] = found.sums, found.spreads

    property_of, building_of = [group[0] for group in groups], [group[1] for group in groups]
    keep("property", property_of, ground.portfolio_month)
    keep("building", building_of, ground.portfolio_month)
    for month in ground.calendars:
        keep(f"own {month}", chain.own_labels(property_of, month, ground), month)
    return answer


def _sums(
    streams: Any, paths: tables.Paths, expected: tables.Expected, kind_of: list[int], kinds: int
) -> dict[str, Any]:
    import numpy as np

    count, cells, _ = paths.shape
    member = np.zeros((len(kind_of), kinds), dtype=np.int64)
    member[np.arange(len(kind_of)), kind_of] = 1
    by_kind = paths.by((paths.path, count), (paths.cell, cells), (np.array(kind_of)[paths.group], kinds))
    return {
        "failures": by_kind.of(paths.failures).astype(np.int32),
        "planned": by_kind.of(paths.planned).astype(np.int32),
        "cost": by_kind.of(paths.cost),
        "base_cost": paths.by((paths.path, count), (paths.cell, cells)).of(streams.ends.money),
        "expected_base_cost": streams.expected_base_cost.sum(axis=2),
        "price_level": streams.price_level,
        "expected_paths": streams.expected_paths,
        **{f"expected_{name}": getattr(expected, name) @ member for name in tables.MEASURES},
    }


ADDED = ("failures", "planned", "cost", "base_cost", "expected_base_cost", "expected_failures",
         "expected_planned", "expected_cents")  # fmt: skip


@dataclass(frozen=True)
class _Listed:
    """One group that may be among the costliest."""

    cents: int
    key: int
    rows: tables.Figures  # of this group alone


def figures_of(arrays: dict[str, Any], name: str) -> tuple[list[int], tables.Figures]:
    """Keys and figures of one grouping of a block; empty where it has none."""
    if f"{name} keys" not in arrays:
        return [], tables.Figures(*(arrays[f"property {part}"][..., :0] for part in ("sums", "spreads")))
    return arrays[f"{name} keys"].tolist(), tables.Figures(arrays[f"{name} sums"], arrays[f"{name} spreads"])


class Join:
    """Blocks added up in their order; holds one block's arrays and the sums, however many blocks there are."""

    def __init__(self) -> None:
        self.total: dict[str, Any] = {}
        self.facts: list[dict[str, Any]] = []
        self.groups: dict[str, list[_Listed]] = {"property": [], "building": []}
        self.own_years: dict[int, tuple[int, tables.Figures]] = {}  # by property: its month, its figures
        self.left_out = Counter[str]()

    def add(self, sums: dict[str, Any], facts: dict[str, Any], figures: dict[str, Any]) -> None:
        if not self.total:
            self.total = {name: values.copy() for name, values in sums.items()}
        else:
            for name in ADDED:
                self.total[name] += sums[name]
        self.facts.append(facts)
        for name, listed in self.groups.items():
            self._list(name, listed, figures)
        own = {row.key for row in self.groups["property"]}
        for name in figures:
            if name.startswith("own ") and name.endswith(" keys"):
                keys, found = figures_of(figures, name.removesuffix(" keys"))
                month = int(name.split()[1])
                self.own_years |= {
                    key: (month, found.pick([at])) for at, key in enumerate(keys) if key in own
                }
        self.own_years = {key: kept for key, kept in self.own_years.items() if key in own}

    def _list(self, name: str, listed: list[_Listed], figures: dict[str, Any]) -> None:
        """The costliest are listed; more than that no page could show."""
        keys, found = figures_of(figures, name)
        cents = found.whole_cost().tolist()
        costliest = sorted(range(len(keys)), key=lambda at: (-cents[at], keys[at]))[:LISTED]
        listed += [_Listed(cents[at], keys[at], found.pick([at])) for at in costliest]
        listed.sort(key=lambda row: (-row.cents, row.key))
        self.left_out[name] += len(keys) - len(costliest) + max(0, len(listed) - LISTED)
        del listed[LISTED:]

    def plan(self, kinds: Sequence[str], ground: Ground) -> dict[str, Any]:
        from forecasting.ends import Ends
        from forecasting.streams import shares_of

        total = self.total
        paths = tables.Paths.of(Ends.of_tables(total["failures"], total["planned"], total["cost"]))
        expected = tables.Expected(*(total[f"expected_{name}"] for name in ("failures", "planned", "cents")))
        in_year = ground.in_year[ground.portfolio_month]
        shares = shares_of(
            total["base_cost"], total["expected_base_cost"], total["expected_paths"], total["price_level"]
        )
        present = [row for row in chain.table_of(paths, expected, kinds, in_year) if _any(row)]
        return {
            **chain.head_of(ground, int(total["cost"].shape[0])),
            "groups": {"total": chain.table_of(paths, expected, [""] * len(kinds), in_year), "kind": present,
                       **{name: [{"key": row.key, "years": row.rows.rows(0)} for row in listed]
                          for name, listed in self.groups.items()}},
            "own_years": [own_year(key, month, found, 0, ground)
                          for key, (month, found) in sorted(self.own_years.items())],
            "left_out": dict(self.left_out),
            "spread": {name: round(float(getattr(shares, name)), 6) for name in ("parameters", "chance", "prices")},
            "method": " and ".join(sorted({facts["method"] for facts in self.facts})),
            "prices": self._prices(),
        }  # fmt: skip

    def inputs_known(self) -> dict[str, Any]:
        known = sum((Counter(facts["known"]) for facts in self.facts), Counter[str]())
        names = {name for facts in self.facts for name in facts["known"]}
        return {
            "heaters": sum(facts["heaters"] for facts in self.facts),
            "known": {name: known[name] for name in sorted(names)},
        }

    def _prices(self) -> dict[str, Any]:
        parts: dict[str, dict[str, Any]] = {}
        for row in (row for facts in self.facts for row in facts["made_of"]):
            kept = parts.setdefault(row["item"], {**row, "due": 0, "not_known": 0, "amount": "0"})
            kept["due"] += row["due"]
            kept["not_known"] += row["not_known"]
            kept["amount"] = str(Decimal(kept["amount"]) + Decimal(row["amount"]))
        return {
            "status_counts": dict(
                sum((Counter(facts["status_counts"]) for facts in self.facts), Counter[str]())
            ),
            "size_assumed": sum(facts["size_assumed"] for facts in self.facts),
            "made_of": list(parts.values()),
        }


def own_year(key: int, month: int, found: tables.Figures, at: int, ground: Ground) -> dict[str, Any]:
    """A property's figures in its own fiscal years, as a run's result holds them."""
    calendar = chain.calendar_of(ground.calendars[month])
    return {"key": key, "fiscal_start_month": month, "calendar": calendar, "years": found.rows(at)}


def _any(row: dict[str, Any]) -> bool:
    return any(float(year["count"]["expected"]) or float(year["count"]["p90"]) for year in row["years"])


def packed(arrays: dict[str, Any]) -> bytes:
    """Arrays as bytes that any machine reads back to the bit."""
    import numpy as np

    out = io.BytesIO()
    np.savez(out, **arrays)
    return out.getvalue()


def unpacked(content: bytes) -> dict[str, Any]:
    import numpy as np

    with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
        return dict(arrays)

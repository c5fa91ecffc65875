"""A large forecast cut into blocks of whole properties that share one fit, each followed by itself, then joined.

On path r every block takes draw r of the parameters and path r of the prices, so blocks add up path by path: the
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

from fleet.planning import chain, tables
from fleet.planning.remedies import MOST_HEATERS, remedies

if TYPE_CHECKING:
    import pandas as pd

    from fleet.planning.chain import Asked, Ground
    from fleet.planning.prices import Pricing
    from forecasting.episodes import Records
    from forecasting.posterior import Posterior

BLOCK_HEATERS = 4000  # in service; up to half as many more are still followed in one piece
AGEING_HEATERS = 20_000  # enough to read off how this fleet's heaters are cared for at each age
# Heaters in service times joint paths: 24,000 heaters get 1,000 paths, 60,000 get 400, and none fewer than 200. The
# more heaters, the less chance weighs in the total, and the fewer paths tell its spread.
LARGEST_WORK = 24_000_000
LEAST_PATHS = 200
LISTED = 300  # groups written into a large run's own result; the others stand with their block


def cut(heaters: pd.DataFrame) -> list[list[int]]:
    """Properties by block, in the order of their numbers. One block holds all of a small fleet."""
    counted = heaters[heaters["ending"] == ""]["property_id"].value_counts().sort_index()
    standing = [(int(number), int(count)) for number, count in zip(counted.index, counted, strict=True)]
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


def shared_ground(records: Records, posterior: Posterior, asked: Asked, blocks: list[list[int]]) -> Ground:
    """Calendars, number of paths and the ageing of successors, the same for every block."""
    from forecasting.episodes import future_states
    from forecasting.risk import ageing_profile

    ground = chain.ground_of(records.as_of, [number for block in blocks for number in block], asked)
    standing = records.heaters[records.heaters["ending"] == ""]
    finest = standing[["property_id", "building_id", "kind"]].drop_duplicates()
    groups = finest["property_id"].value_counts()
    most = max(int(groups.reindex(block).sum()) for block in blocks)
    numbers = standing["property_id"].value_counts().sort_index()
    step = max(1, round(len(standing) / AGEING_HEATERS))
    some = of_properties(records, [int(number) for number in numbers.index[::step]])
    states = future_states(some, posterior.kinds, posterior.buildings, asked.horizon_years + 1)
    paths = min(chain.paths_for(most, ground, asked), max(LEAST_PATHS, LARGEST_WORK // len(standing)))
    return replace(ground, paths=min(paths, asked.draws), ageing=ageing_profile(posterior, states))


def of_properties(records: Records, property_ids: Sequence[int]) -> Records:
    heaters = records.heaters[records.heaters["property_id"].isin(property_ids)].reset_index(drop=True)
    services = records.services
    return replace(
        records,
        heaters=heaters,
        services=services[services["heater_id"].isin(heaters["heater_id"])].reset_index(drop=True),
        waters=records.waters[records.waters["building_id"].isin(heaters["building_id"])].reset_index(
            drop=True
        ),
    )


def posterior_of(posterior: Posterior, building_ids: set[int]) -> Posterior:
    """The same draws with the multipliers of some buildings only."""
    places = [at for at, number in enumerate(posterior.buildings) if number in building_ids]
    return replace(
        posterior,
        buildings=tuple(posterior.buildings[at] for at in places),
        z=posterior.z[:, places],
        building_failures=posterior.building_failures[places],
        building_exposure=posterior.building_exposure[:, places],
    )


@dataclass(frozen=True)
class Block:
    """What one block says: its heaters, its own groups' tables, and what is added to the portfolio's."""

    answer: chain.Answer  # outlooks, reasons, remedies; its plan holds the groups of this block only
    sums: dict[str, Any]  # arrays: by path, cell and kind, or by path and cell
    facts: dict[str, Any]  # counts that are added


def compute(
    number: int,
    records: Records,
    posterior: Posterior,
    price: Callable[[Sequence[int]], Pricing],
    asked: Asked,
    ground: Ground,
    share: float,
) -> Block:
    """One block. `share` is its share of the fleet, and of the heaters for which remedies are tried."""
    from forecasting.episodes import future_states
    from forecasting.outlook import heater_outlooks, reasons

    # Fates of their own; 2**32 keeps them apart from any seed a person can give.
    ground = replace(ground, chance_seed=asked.seed + (number + 1) * 2**32)
    states = future_states(records, posterior.kinds, posterior.buildings, asked.horizon_years + 1)
    pricing = price([int(heater) for heater in states.heater_ids])
    outlooks = heater_outlooks(posterior, states)
    why = reasons(posterior, states)
    helping = remedies(posterior, records, outlooks, max(10, round(MOST_HEATERS * share)))
    streams, groups = chain.follow(records, posterior, states, pricing, asked, ground)
    paths = tables.Paths(streams.failures, streams.planned, streams.cost)
    expected = paths.expected()
    in_year = ground.in_year[ground.portfolio_month]
    keys = {"property": [group[0] for group in groups], "building": [group[1] for group in groups]}
    plan = {
        "groups": {name: chain.table_of(paths, expected, labels, in_year) for name, labels in keys.items()},
        "own_years": chain.own_years(paths, expected, keys["property"], ground),
    }
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
        streams, expected, [posterior.kinds.index(group[2]) for group in groups], len(posterior.kinds)
    )
    return Block(chain.Answer(plan, outlooks, why, {}, posterior.version, helping), sums, facts)


def _sums(streams: Any, expected: tables.Expected, kind_of: list[int], kinds: int) -> dict[str, Any]:
    import numpy as np

    member = np.zeros((len(kind_of), kinds))
    member[np.arange(len(kind_of)), kind_of] = 1.0
    whole = member.astype(np.int64)
    return {
        "failures": (streams.failures @ whole).astype(np.int32),
        "planned": (streams.planned @ whole).astype(np.int32),
        "cost": streams.cost @ member,
        "base_cost": streams.base_cost.sum(axis=2),
        "expected_base_cost": streams.expected_base_cost.sum(axis=2),
        "price_level": streams.price_level,
        "expected_paths": streams.expected_paths,
        **{f"expected_{name}": getattr(expected, name) @ whole for name in ("failures", "planned", "cents")},
    }


ADDED = ("failures", "planned", "cost", "base_cost", "expected_base_cost", "expected_failures",
         "expected_planned", "expected_cents")  # fmt: skip


class Join:
    """Blocks added up in their order; holds one block's arrays and the sums, however many blocks there are."""

    def __init__(self) -> None:
        self.total: dict[str, Any] = {}
        self.facts: list[dict[str, Any]] = []
        self.groups: dict[str, list[dict[str, Any]]] = {"property": [], "building": []}
        self.own_years: list[dict[str, Any]] = []
        self.left_out = Counter[str]()

    def add(self, sums: dict[str, Any], facts: dict[str, Any], plan: dict[str, Any]) -> None:
        if not self.total:
            self.total = {name: values.copy() for name, values in sums.items()}
        else:
            for name in ADDED:
                self.total[name] += sums[name]
        self.facts.append(facts)
        for name, rows in self.groups.items():
            rows += plan["groups"][name]
            # The costliest are listed; more than that no page could show.
            rows.sort(key=lambda row: (-Decimal(row["years"][-1]["cost_so_far"]["expected"]), row["key"]))
            self.left_out[name] += max(0, len(rows) - LISTED)
            del rows[LISTED:]
        self.own_years += plan["own_years"]
        listed = {row["key"] for row in self.groups["property"]}
        self.own_years = [row for row in self.own_years if row["key"] in listed]

    def plan(self, kinds: Sequence[str], ground: Ground) -> dict[str, Any]:
        from forecasting.streams import Streams

        total = self.total
        paths = tables.Paths(total["failures"], total["planned"], total["cost"])
        expected = tables.Expected(*(total[f"expected_{name}"] for name in ("failures", "planned", "cents")))
        in_year = ground.in_year[ground.portfolio_month]
        shares = Streams(
            periods=(), groups=(), failures=total["failures"], planned=total["planned"], cost=total["cost"],
            base_cost=total["base_cost"][:, :, None], price_level=total["price_level"],
            expected_paths=total["expected_paths"], expected_base_cost=total["expected_base_cost"][:, :, None],
            method="",
        ).shares()  # fmt: skip
        present = [row for row in chain.table_of(paths, expected, kinds, in_year) if _any(row)]
        return {
            **chain.head_of(ground, int(total["cost"].shape[0])),
            "groups": {"total": chain.table_of(paths, expected, [""] * len(kinds), in_year), "kind": present,
                       **self.groups},
            "own_years": self.own_years,
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

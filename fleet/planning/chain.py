"""The real chain, records to plan: episodes, posterior, outlook, renewal. Reads and writes no rows.

Heavy libraries are imported inside the functions: only a worker or a command gets here.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from fleet.estate.background import Cancelled
from fleet.planning import periods, tables
from fleet.planning.price_tables import price_tables, successor_kinds
from fleet.planning.priors import Entered
from fleet.planning.priors import tables as prior_tables
from fleet.planning.remedies import remedies
from forecasting.threads import steady_algebra

if TYPE_CHECKING:
    import pandas as pd

    from fleet.planning.prices import Pricing
    from forecasting.episodes import FutureStates, Records
    from forecasting.posterior import Posterior
    from forecasting.streams import Streams

Progress = Callable[[float, str], None]
LIFE_YEARS = 40  # how far the curves of kinds are kept
LARGEST_TABLE = 40_000_000  # numbers in one (paths, cells, groups) array: 160 MB at four bytes


class NothingToForecast(ValueError):
    """The record cannot carry a forecast; the message says what is missing, in words for the user."""


@dataclass(frozen=True)
class Asked:
    horizon_years: int
    seed: int
    draws: int
    fiscal_start_months: dict[int, int]  # by property
    growth_mean: float
    growth_sd: float
    priors: Entered = ()  # figures the organisation entered in place of shipped ones
    more_kinds: tuple[str, ...] = ()  # kinds that go in by a rule and may not be on record yet


@dataclass(frozen=True)
class Answer:
    plan: dict[str, Any]
    outlooks: pd.DataFrame
    reasons: pd.DataFrame
    diagnostics: dict[str, Any]
    version: str
    remedies: dict[int, list[dict[str, Any]]] = field(default_factory=dict)


def digest(*parts: Any) -> str:
    """A digest of frames, arrays and plain values that does not depend on how rows happened to lie in memory."""
    import numpy as np
    import pandas as pd

    hasher = hashlib.sha256()
    for part in parts:
        if isinstance(part, pd.DataFrame):
            hasher.update(",".join(part.columns).encode())
            # Numbers and days as they are: made into words they would take as long as a fifth of a forecast.
            words = part.select_dtypes(exclude=["number", "datetime"]).columns
            plain = part.astype(dict.fromkeys(words, str))
            hasher.update(pd.util.hash_pandas_object(plain, index=False).to_numpy().tobytes())
        elif isinstance(part, np.ndarray):
            hasher.update(f"{part.dtype} {part.shape}".encode())
            hasher.update(np.ascontiguousarray(part).tobytes())
        else:
            hasher.update(json.dumps(part, sort_keys=True, default=str).encode())
    return hasher.hexdigest()


def kinds_of(records: Records, asked: Asked) -> list[str]:
    """The kinds in which a fit counts."""
    if records.heaters.empty:
        raise NothingToForecast("There is no heater on record on that day. Import heaters first.")
    return sorted({*records.heaters["kind"], *asked.more_kinds})


@steady_algebra()
def fit_records(
    records: Records, asked: Asked, progress: Progress, cancelled: Callable[[], bool]
) -> tuple[Posterior, dict[str, Any]]:
    """Episodes and priors in, posterior out, with its diagnostics as plain values."""
    from forecasting.episodes import build_episodes
    from forecasting.lifetimes import load_prior
    from forecasting.posterior import FitCancelled, fit

    kinds = kinds_of(records, asked)
    clock = time.perf_counter()
    progress(0.02, "Cutting the recorded lives into episodes")
    episodes = build_episodes(records, kinds)
    built = time.perf_counter()
    prior = load_prior(kinds, episodes.covariates, *prior_tables(asked.priors))

    def inner(fraction: float, words: str) -> None:
        progress(0.1 + 0.5 * fraction, words)

    try:
        posterior = fit(episodes, prior, asked.draws, asked.seed, inner, cancelled)
    except FitCancelled:
        raise Cancelled from None
    seconds = {"episodes": built - clock, "fit": time.perf_counter() - built}
    return posterior, diagnostics_of(posterior, len(episodes.entry_age), seconds)


def diagnostics_of(posterior: Posterior, episodes: int, seconds: dict[str, float]) -> dict[str, Any]:
    found = posterior.diagnostics
    return {
        "k_hat": _number(found.k_hat),
        "effective_draws": _number(found.effective_draws),
        "method": found.method,
        "converged": bool(found.converged),
        "events_total": int(found.events_total),
        "events_by_kind": {kind: int(count) for kind, count in found.events_by_kind.items()},
        "messages": list(found.messages),
        "prior_weight": {
            kind: _number(weight) for kind, weight in zip(posterior.kinds, found.prior_weight, strict=True)
        },
        "episodes": episodes,
        "seconds": {name: round(value, 3) for name, value in seconds.items()},
    }


def _number(value: Any) -> float | None:
    number = float(value)
    return round(number, 6) if abs(number) < float("inf") else None


@steady_algebra()
def compute(
    records: Records,
    price: Callable[[Sequence[int]], Pricing],
    asked: Asked,
    progress: Progress,
    cancelled: Callable[[], bool],
) -> Answer:
    """The whole forecast. `price` gives the prices of heaters, by id, in the order asked."""
    from forecasting.episodes import future_states
    from forecasting.outlook import heater_outlooks, reasons

    if records.heaters.empty or not (records.heaters["ending"] == "").any():
        raise NothingToForecast("No heater is in service on that day, so there is nothing to plan for.")
    posterior, diagnostics = fit_records(records, asked, progress, cancelled)
    progress(0.62, "Looking ahead for each heater")
    clock = time.perf_counter()
    states = future_states(records, posterior.kinds, posterior.buildings, asked.horizon_years + 1)
    pricing = price([int(heater) for heater in states.heater_ids])
    outlooks = heater_outlooks(posterior, states)
    progress(0.7, "Finding the reasons")
    why = reasons(posterior, states)
    progress(0.72, "Trying what would help each heater")
    helping = remedies(posterior, records, outlooks)
    diagnostics["lives"] = lives_of(posterior, states)
    seconds = diagnostics["seconds"]
    seconds["outlooks"] = round(time.perf_counter() - clock, 3)
    progress(0.75, "Following replacements through the coming years")
    clock = time.perf_counter()
    plan = _plan(records, posterior, states, pricing, asked)
    seconds["replacements"] = round(time.perf_counter() - clock, 3)
    plan["prices"] = {
        "status_counts": pricing.status_counts,
        "size_assumed": pricing.size_assumed,
        "made_of": pricing.made_of,
    }
    known = {name: int(mask.sum()) for name, mask in states.known.items()}
    diagnostics["inputs_known"] = {"heaters": len(states.heater_ids), "known": known}
    outlooks = outlooks.assign(
        planned_cost=[str(cost) for cost in pricing.planned],
        emergency_cost=[str(cost) for cost in pricing.emergency],
    )
    return Answer(plan, outlooks, why, diagnostics, posterior.version, helping)


def lives_of(posterior: Posterior, states: FutureStates) -> dict[str, list[list[float]]]:
    """By kind, of the units put in new at its heaters' places, how many still work: age, share, P10, P90."""
    from forecasting.options import kind_curves

    return {
        posterior.kinds[kind]: [
            [age, *(round(float(share), 4) for share in shares)] for age, shares in enumerate(curve)
        ]
        for kind, curve in kind_curves(posterior, states, LIFE_YEARS).items()
    }


@dataclass(frozen=True)
class Ground:
    """What the parts of a large forecast share; a small one is a part by itself."""

    months: dict[int, int]  # fiscal start by property
    portfolio_month: int
    calendars: dict[int, tuple[periods.FiscalYear, ...]]
    cells: periods.Cells
    paths: int | None = None  # as many as the tables' size allows
    chance_seed: int | None = None
    ageing: Any = None
    expected_paths: int | None = None  # by every group where nothing is said

    @property
    def in_year(self) -> dict[int, Any]:
        count = len(self.cells.edges) - 1
        return {
            month: tables.years_of_cells([self.cells.of(year) for year in years], count)
            for month, years in self.calendars.items()
        }


def ground_of(as_of: date, property_ids: Iterable[int], asked: Asked) -> Ground:
    months = {int(number): asked.fiscal_start_months.get(int(number), 1) for number in set(property_ids)}
    portfolio_month = periods.most_common_month(months.values())
    calendars = {
        month: periods.fiscal_years(as_of, month, asked.horizon_years)
        for month in sorted({portfolio_month, *months.values()})
    }
    return Ground(months, portfolio_month, calendars, periods.cells_of(list(calendars.values())))


def _plan(
    records: Records, posterior: Posterior, states: FutureStates, pricing: Pricing, asked: Asked
) -> dict[str, Any]:
    """Streams over cells of time and the finest groups, then every table from the same paths."""
    ground = ground_of(records.as_of, states.property_id.tolist(), asked)
    streams, groups = follow(records, posterior, states, pricing, asked, ground)
    paths = tables.Paths.of(streams.ends, streams.price_level)
    answer = _tables(paths, groups, ground)
    shares = streams.shares()
    answer["spread"] = {name: _number(getattr(shares, name)) for name in ("parameters", "chance", "prices")}
    answer["method"] = streams.method
    return answer


def follow(
    records: Records,
    posterior: Posterior,
    states: FutureStates,
    pricing: Pricing,
    asked: Asked,
    ground: Ground,
) -> tuple[Streams, list[tuple[int, int, str]]]:
    """Replacements through the coming years on joint paths, by cell of time and finest group."""
    import numpy as np

    from forecasting.renewal import Prices, replacement_streams

    edges = ground.cells.edges_years()
    finest = _finest_groups(records, posterior, states)
    groups = sorted(set(finest))
    place = {group: index for index, group in enumerate(groups)}
    planned, emergency = price_tables(pricing, records.as_of, edges)
    streams = replacement_streams(
        posterior,
        states,
        np.asarray(edges),
        np.asarray([place[group] for group in finest]),
        len(groups),
        Prices(planned, emergency, asked.growth_mean, asked.growth_sd, by="heater"),
        successor_kinds(pricing, posterior.kinds, states.kind, records.as_of, asked.horizon_years),
        paths=ground.paths or paths_for(len(groups), ground, asked),
        seed=asked.seed,
        chance_seed=ground.chance_seed,
        ageing=ground.ageing,
        expected_of_all=ground.expected_paths,
    )
    return streams, groups


def paths_for(groups: int, ground: Ground, asked: Asked) -> int:
    return int(min(asked.draws, max(200, LARGEST_TABLE // (groups * (len(ground.cells.edges) - 1)))))


def _finest_groups(
    records: Records, posterior: Posterior, states: FutureStates
) -> list[tuple[int, int, str]]:
    """Property, building and kind of each heater in service: what every other grouping is a sum of."""
    buildings = dict(zip(records.heaters["heater_id"], records.heaters["building_id"], strict=True))
    return [
        (int(property_), int(buildings[heater]), posterior.kinds[kind])
        for property_, heater, kind in zip(states.property_id, states.heater_ids, states.kind, strict=True)
    ]


def _tables(paths: tables.Paths, groups: list[tuple[int, int, str]], ground: Ground) -> dict[str, Any]:
    expected = paths.expected()
    labels: dict[str, list[Any]] = {
        "total": [""] * len(groups),
        "property": [group[0] for group in groups],
        "building": [group[1] for group in groups],
        "kind": [group[2] for group in groups],
    }
    in_year = ground.in_year[ground.portfolio_month]
    return {
        **head_of(ground, paths.shape[0]),
        "groups": {name: table_of(paths, expected, keys, in_year) for name, keys in labels.items()},
        "own_years": own_years(paths, expected, labels["property"], ground),
    }


def head_of(ground: Ground, paths: int) -> dict[str, Any]:
    return {
        "years": calendar_of(ground.calendars[ground.portfolio_month]),
        "fiscal_start_month": ground.portfolio_month,
        "paths": paths,
    }


def table_of(
    paths: tables.Paths, expected: tables.Expected, labels: Sequence[Any], in_year: Any
) -> list[dict[str, Any]]:
    return [
        {"key": key, "years": rows} for key, rows in tables.grouped_table(paths, expected, labels, in_year)
    ]


def own_years(
    paths: tables.Paths, expected: tables.Expected, property_of: Sequence[int], ground: Ground
) -> list[dict[str, Any]]:
    """Properties whose fiscal year starts in another month than the portfolio's, in their own years."""
    answer: list[dict[str, Any]] = []
    for month, years in ground.calendars.items():
        own = own_labels(property_of, month, ground)
        rows = dict(tables.grouped_table(paths, expected, own, ground.in_year[month]))
        answer += [
            {"key": key, "fiscal_start_month": month, "calendar": calendar_of(years), "years": rows[key]}
            for key in sorted(rows)
        ]
    return answer


def own_labels(property_of: Sequence[int], month: int, ground: Ground) -> list[int | None]:
    """Of each group its property, where that starts its fiscal year in a month other than the portfolio's, this one."""
    others = month != ground.portfolio_month
    return [number if others and ground.months[number] == month else None for number in property_of]


def calendar_of(years: Sequence[periods.FiscalYear]) -> list[dict[str, Any]]:
    return [
        {"label": year.label, "start": str(year.start), "last_day": str(year.last_day), "whole": year.whole}
        for year in years
    ]

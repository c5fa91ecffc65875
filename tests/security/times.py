"""Does a foreign row answer as a missing one also in time? Two distributions at every address that names a row.

    python -m tests.security.times [--rounds 40] [--seconds 330] [--most-ms 0.5]

In process, on the database of the environment's tests, as an owner: pages by GET and POST, and the API by each method. At
every address the foreign and the missing row are asked in turn, in an order drawn anew each round, and the processor
time of the answer is taken, which other work on the machine disturbs less than the clock on the wall. Compared by
the Mann-Whitney test (scipy), its p corrected for the number of addresses (Holm), and by how far the answers lie apart
(Hodges-Lehmann shift, the median of all differences, with a 95 % interval by resampling). An address fails where p is
below 0.01 and the whole interval lies beyond `--most-ms`: what lies below that does not show over a network, whose own
spread over one hop is larger (engineering judgement, no source). Ends with 1 where one fails.
"""

from __future__ import annotations

import argparse
import logging
import os
import random
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
PLACES = ("foreign", "missing")
Taken = dict[tuple[str, str], list[float]]


@dataclass(frozen=True)
class Compared:
    name: str
    p: float
    shift_ms: float
    low_ms: float
    high_ms: float
    larger: float  # chance that a foreign answer takes longer than a missing one; 0.5 is alike


def cells() -> list[tuple[str, Callable[[str], Any]]]:
    """(what is asked, a function that asks it of the foreign or the missing row)."""
    from django.core.cache import cache

    from fleet.estate.access import Need
    from fleet.estate.scope import scope_of_organisation, scoped
    from tests.api import test_matrix as api_matrix
    from tests.api.conftest import Api, token_for
    from tests.api.estates import fill
    from tests.conftest import Cast, make_heater
    from tests.conftest import cast as make_cast
    from tests.security import test_matrix as matrix
    from tests.security.world import World, client_of

    cast: Cast = make_cast.__wrapped__(None)  # type: ignore[attr-defined]
    world = World(cast)
    client = client_of(world, "owner")
    found: list[tuple[str, Callable[[str], Any]]] = []

    def page(method: str, name: str) -> Callable[[str], Any]:
        where = {place: matrix.address(world, name, place, "owner") for place in PLACES}
        return lambda place: matrix.ask(client, method, where[place])

    for name, _, _, need in matrix.ADDRESSES:
        if matrix.rows_named(name) and need is not Need.PUBLIC:
            found += [(f"{method} {name}", page(method, name)) for method in ("GET", "POST")]
    rows = {}
    for whose, house in (("own", cast.house), ("foreign", cast.other_house)):
        with scoped(scope_of_organisation(house, actor="times")):
            rows[whose] = fill(make_heater(house, "Elm Row", "E-1"))
    api = Api(token_for(cast.owner))

    def resource(method: str, path: str) -> Callable[[str], Any]:
        where = {place: api_matrix.address(path, rows.get(place)) for place in PLACES}

        def ask(place: str) -> Any:
            cache.clear()
            return api_matrix.ask(api, method, path, where[place], rows["own"])

        return ask

    for path, method, _ in api_matrix.OPERATIONS:
        if "<number:pk>" in path:
            found.append((f"{method} {path}", resource(method, path)))
    return found


def one_round(asked: list[tuple[str, Callable[[str], Any]]], taken: Taken, draw: random.Random) -> None:
    """Ask both rows of every address once, in an order drawn anew, and add the milliseconds of processor time."""
    for name, ask in asked:
        for place in draw.sample(PLACES, 2):
            began = time.process_time()
            ask(place)
            taken[name, place].append((time.process_time() - began) * 1000)


def compared(name: str, foreign: list[float], missing: list[float]) -> Compared:
    import numpy as np
    from scipy.stats import mannwhitneyu

    one, other = np.asarray(foreign), np.asarray(missing)
    test = mannwhitneyu(one, other, alternative="two-sided")
    shift = float(np.median(one[:, None] - other[None, :]))
    draw = np.random.default_rng(1)
    shifts = []
    for _ in range(300):
        a, b = draw.choice(one, len(one)), draw.choice(other, len(other))
        shifts.append(np.median(a[:, None] - b[None, :]))
    low, high = np.quantile(shifts, [0.025, 0.975])
    larger = float(test.statistic) / (len(one) * len(other))
    return Compared(name, float(test.pvalue), shift, float(low), float(high), larger)


def failing(found: list[Compared], most_ms: float) -> list[Compared]:
    """Those that lie apart, by Holm's step-down at 0.01."""
    apart = []
    for at, one in enumerate(sorted(found, key=lambda one: one.p)):
        if one.p > 0.01 / (len(found) - at):
            break
        if min(abs(one.low_ms), abs(one.high_ms)) > most_ms and one.low_ms * one.high_ms > 0:
            apart.append(one)
    return apart


def _line(one: Compared) -> str:
    return f"{one.shift_ms:8.3f} ms  [{one.low_ms:7.3f}, {one.high_ms:7.3f}]  {one.larger:5.2f}  {one.p:8.1e}  {one.name}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=330, help="no round is begun after so long")
    parser.add_argument("--most-ms", type=float, default=0.5)
    asked = parser.parse_args()
    import django

    django.setup()
    logging.disable(logging.CRITICAL)
    from django.db import transaction
    from django.test.runner import DiscoverRunner

    runner = DiscoverRunner(verbosity=0, interactive=False)
    databases = runner.setup_databases()
    draw, taken = random.Random(1), cast(Taken, defaultdict(list))
    began, worked, rounds = time.perf_counter(), time.process_time(), 0
    try:
        with transaction.atomic():
            ways = cells()
            one_round(ways, taken, draw)  # fills caches, and is not counted
            taken.clear()
            while rounds < asked.rounds and time.perf_counter() - began < asked.seconds:
                one_round(ways, taken, draw)
                rounds += 1
            transaction.set_rollback(True)
    finally:
        runner.teardown_databases(databases)
    found = [compared(name, taken[name, "foreign"], taken[name, "missing"]) for name, _ in ways]
    apart = failing(found, asked.most_ms)
    print("foreign after missing, 95 % interval, chance of longer, p, address")
    for one in sorted(found, key=lambda one: -abs(one.shift_ms))[:15]:
        print(_line(one))
    print(
        f"{len(found)} addresses and methods, {rounds} rounds each, {time.perf_counter() - began:.0f} s "
        f"({time.process_time() - worked:.0f} s of processor time); {len(apart)} lie apart"
    )
    for one in apart:
        print("APART", _line(one))
    return 1 if apart else 0


if __name__ == "__main__":
    sys.exit(main())

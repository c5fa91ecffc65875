"""Two hundred people at once for ten minutes, half in the office and half on phones, and a bare page beside them.

    uv run --group test python -m tests.faults.load [--people 200] [--minutes 10] [--heaters 100000] [--processes 3]

PostgreSQL, Redis, pages, workers and beat are of the run's own, each started as the compose file does. The same number
of requests a second is then asked of a Django view that does nothing, served the same way. Ends with 1 when a request
failed, when the 95th percentile is over half a second, or when a finding was lost or doubled.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import quantiles

import httpx

from tests.faults.crowd import Seen, crowd
from tests.faults.servers import Program, wait_for
from tests.faults.stand import (
    answers,
    ended,
    fell_short,
    keep_up,
    processors,
    standing,
    started,
    within,
)
from tests.sinks import free_port

LARGEST_MS = 500


async def bare_stream(address: str, per_second: float, seconds: float) -> list[float]:
    """The times of a bare view asked so many times a second."""
    times: list[float] = []
    chance = random.Random(1)

    async def one(http: httpx.AsyncClient) -> None:
        began = time.perf_counter()
        answer = await http.get("/")
        answer.raise_for_status()
        times.append(time.perf_counter() - began)

    limits = httpx.Limits(max_connections=None, max_keepalive_connections=0)
    async with httpx.AsyncClient(base_url=address, timeout=30, limits=limits) as http:
        asked, until = set(), time.monotonic() + seconds
        while time.monotonic() < until:
            asked.add(asyncio.create_task(one(http)))
            await asyncio.sleep(chance.expovariate(per_second))
        await asyncio.gather(*asked)
    return times


def beside(folder: Path, processes: int, per_second: float) -> list[float]:
    port = free_port()
    settings = {"ALMANAC_BIND": f"127.0.0.1:{port}", "ALMANAC_WEB_PROCESSES": str(processes)}
    gunicorn = [sys.executable, "-m", "gunicorn", "-c", "python:tests.faults.bare_settings"]
    command = [*gunicorn, "tests.faults.bare:application"]
    bare = Program("bare", command, {**os.environ, **settings}, folder / "bare.log")
    bare.keep_up()
    try:
        wait_for(lambda: answers(f"http://127.0.0.1:{port}/"), "The bare view", 30)
        return asyncio.run(bare_stream(f"http://127.0.0.1:{port}", per_second, 30))
    finally:
        bare.kill()


def judged(seen: Seen, short: list[str]) -> bool:
    times = sorted(one for times in seen.times.values() for one in times)
    p95 = quantiles(times, n=20)[18] * 1000
    print(
        f"Failed requests: {dict(seen.failures) or 'none'}. 95th percentile {p95:.0f} ms (most {LARGEST_MS})."
    )
    print(
        f"Findings sent and answered: {len(seen.answered)}, {dict(seen.results)}; {'; '.join(short) or 'none lost, none twice'}."
    )
    for words, times in seen.words.most_common(8):
        print(f"  {times} not simply kept: {words}")
    return not seen.failures and p95 <= LARGEST_MS and not short


def main() -> None:
    read = argparse.ArgumentParser(description=__doc__)
    read.add_argument("--people", type=int, default=200)
    read.add_argument("--minutes", type=float, default=10)
    read.add_argument("--heaters", type=int, default=100_000)
    read.add_argument("--processes", type=int, default=3)
    asked = read.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="crowd-"))
    phones = asked.people // 2
    with standing(folder, asked.processes, 60) as (house, address):
        tasks = int(asked.minutes * 4) + 10
        people = within(
            house, "prepared", str(asked.heaters), str(asked.people - phones), str(phones), str(tasks)
        )
        started(house, address)
        stop = threading.Event()
        threading.Thread(target=keep_up, args=(house, stop), daemon=True).start()
        try:
            # The first day's own work (a roll-forward, the first count of all sums) comes once, not with each crowd.
            wait_for(lambda: bool(within(house, "at_rest")), "The first day's work", 1200)
            before = processors(house)
            seen = asyncio.run(crowd(address, people, asked.minutes * 60, 1))
            taken = {name: seconds - before[name] for name, seconds in processors(house).items()}
        finally:
            stop.set()  # nothing is started again once the house is taken down
        kept = within(house, "kept")
    print(seen.table())
    asked_times = sum(len(times) for times in seen.times.values())
    per_second = asked_times / (asked.minutes * 60)
    each = ", ".join(f"{name} {1000 * seconds / asked_times:.0f}" for name, seconds in taken.items())
    print(f"Processor, ms a request, whatever else the machine did: {each}.")
    cuts = quantiles(beside(folder, asked.processes, per_second), n=100)
    print(
        f"{per_second:.1f} requests a second. A bare Django view at that rate: median {cuts[49] * 1000:.1f} ms, "
        f"p95 {cuts[94] * 1000:.1f}, p99 {cuts[98] * 1000:.1f}. Load of the machine {os.getloadavg()[1]:.1f}."
    )
    ended(judged(seen, fell_short(seen, kept)), folder)


if __name__ == "__main__":
    main()

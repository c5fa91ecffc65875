"""Pages, worker, beat, PostgreSQL and Redis are each killed while people work: nothing may be lost, nothing doubled.

    uv run --group test python -m tests.faults.kills [--rounds 10] [--people 40] [--heaters 10000]

Each round kills each of the five once, in an order of its own, with SIGKILL, some seconds apart. Printed: how long each
was away (pages and PostgreSQL: until a page that asks the database answers; worker and Redis: until work asked for
after the kill has ended; beat: until it has rung again), and in the end what the crowd sent and what stands. Requests
that fail while a part is down are counted and are no fault: the phones send again.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from statistics import median

from tests.faults.crowd import crowd
from tests.faults.servers import ROOT, House
from tests.faults.stand import answers, ended, fell_short, keep_up, standing, started, within

BETWEEN = (7.0, 11.0)  # seconds from one kill to the next
SETTLED_WITHIN = 420  # a killed worker's claim holds for five minutes


class Killer(threading.Thread):
    """Kills in turn, keeps everything up as a supervisor would, and notes when each part served again."""

    def __init__(self, house: House, address: str, rounds: int) -> None:
        super().__init__(daemon=True)
        self.house, self.address, self.rounds = house, address, rounds
        self.sign = house.postgres.folder / "beat-rang"
        self.away: dict[str, list[float]] = defaultdict(list)
        self.killed: list[tuple[str, float]] = []
        self.over = threading.Event()

    def run(self) -> None:
        chance = random.Random(self.rounds)
        threading.Thread(target=keep_up, args=(self.house, self.over), daemon=True).start()
        for turn in range(self.rounds):
            parts = list(self.parts())
            chance.shuffle(parts)
            for name in parts:
                self.kill(name, chance.uniform(*BETWEEN))
            print(f"  round {turn + 1}: {', '.join(parts)}", flush=True)

    def kill(self, name: str, pause: float) -> None:
        began = time.time()
        self.killed.append((name, began))
        self.parts()[name]()
        if back := self.back().get(name):
            self.away[name].append(self.until(lambda: back(began)) - began)
        time.sleep(max(0.0, began + pause - time.time()))

    def parts(self) -> dict[str, Callable[[], None]]:
        programs = {program.name: program for program in self.house.programs}
        return {
            "pages": programs["web"].kill,
            "worker": programs["worker-heavy"].kill,
            "beat": programs["beat"].kill,
            "PostgreSQL": self.house.postgres.kill_and_start,
            "Redis": self.redis,
        }

    def back(self) -> dict[str, Callable[[float], bool]]:
        return {
            "pages": lambda _: answers(f"{self.address}/ready"),
            "PostgreSQL": lambda _: answers(f"{self.address}/ready"),
            "beat": lambda since: self.sign.exists() and self.sign.stat().st_mtime > since,
        }

    def redis(self) -> None:
        self.house.redis.kill()
        self.house.redis.start()

    @staticmethod
    def until(there: Callable[[], bool], seconds: float = 60) -> float:
        deadline = time.time() + seconds
        while not there() and time.time() < deadline:
            time.sleep(0.05)
        return time.time()


def work_away(killed: list[tuple[str, float]], jobs: list[list[object]]) -> dict[str, list[float]]:
    """For worker and Redis: from the kill until work that was asked for afterwards had ended."""
    away: dict[str, list[float]] = defaultdict(list)
    for name, moment in killed:
        if name in ("worker", "Redis"):
            ends = [float(ended) for made, ended, *_ in jobs if float(made) > moment and ended]  # type: ignore[arg-type]
            if ends:
                away[name].append(min(ends) - moment)
    return away


def settled_jobs(house: House) -> list[list[object]]:
    deadline = time.monotonic() + SETTLED_WITHIN
    while True:
        jobs: list[list[object]] = within(house, "jobs")
        if all(state == "done" for _, _, state, _ in jobs) or time.monotonic() > deadline:
            return jobs
        time.sleep(5)


def main() -> None:
    read = argparse.ArgumentParser(description=__doc__)
    read.add_argument("--rounds", type=int, default=10)
    read.add_argument("--people", type=int, default=40)
    read.add_argument("--heaters", type=int, default=10_000)
    asked = read.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="kills-"))
    seconds = asked.rounds * 5 * sum(BETWEEN) / 2
    with standing(folder, 2, 2) as (house, address):
        phones = str(asked.people // 2)
        each = str(int(seconds / 15) + 10)
        people = within(house, "prepared", str(asked.heaters), phones, phones, each)
        within(house, "small_house")
        started(house, address)
        command = [sys.executable, "-m", "tests.faults.inside_crowd", "pulse", str(seconds)]
        pulse = subprocess.Popen(command, cwd=ROOT, env=house.environment, stdout=subprocess.DEVNULL)
        killer = Killer(house, address, asked.rounds)
        killer.start()
        seen = asyncio.run(crowd(address, people, seconds, asked.rounds))
        killer.join()
        pulse.wait()
        jobs = settled_jobs(house)
        killer.over.set()
        kept = within(house, "kept")
    away = killer.away | work_away(killer.killed, jobs)
    print(f"{'killed':<12}{'times':>6}{'away, median s':>16}{'longest':>9}")
    for name, times in sorted(away.items()):
        print(f"{name:<12}{len(times):>6}{median(times):>16.1f}{max(times):>9.1f}")
    print(
        f"Requests that failed meanwhile: {sum(seen.failures.values())} of {sum(map(len, seen.times.values()))}."
    )
    short = fell_short(seen, kept)
    if undone := sum(1 for job in jobs if job[2] != "done"):
        short.append(f"work not done: {undone}")
    again = sum(1 for job in jobs if int(str(job[3])) > 1)
    print(
        f"Findings sent and answered: {len(seen.answered)}, {dict(seen.results)}. Small jobs: {len(jobs)}, {again} of them taken again."
    )
    print("; ".join(short) or "Nothing lost, nothing doubled.")
    ended(not short, folder)


if __name__ == "__main__":
    main()

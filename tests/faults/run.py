"""Kills workers, Redis and PostgreSQL at random while reminders are sent, and counts what arrived.

    python -m tests.faults.run --seeds 1 2 3 --reminders 5000

The rounds have a PostgreSQL, a Redis, two Celery workers, two beats, a mail server and a web-hook receiver of its own.
Every reminder must have arrived exactly once, or stand as uncertain; none may be missing; none may have come twice.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.faults.servers import ROOT, House, Postgres, Redis, environment
from tests.sinks import HookSink, MailSink, controller_of, free_port, hook_sink

TIMEOUT_SECONDS = 3
SETTLED_WITHIN = 300
TROUBLED_SHARE = 0.6  # trouble goes on until so many have arrived
SETTINGS = {
    "ALMANAC_TICK_SECONDS": "2",
    "ALMANAC_SMTP_HOST": "127.0.0.1",
    "ALMANAC_SMTP_TIMEOUT_SECONDS": str(TIMEOUT_SECONDS),
    "ALMANAC_DELIVERY_STALE_SECONDS": "15",
    "ALMANAC_DELIVERY_TAKEN_SECONDS": "8",
    "ALMANAC_DELIVERY_PAUSE_SECONDS": "1",
    "ALMANAC_HOOKS_TO_PRIVATE": "yes",
}
LOOKED_EACH = 6  # seconds: each look starts the program, and what it costs the workers do not get


class UnsteadyMail(MailSink):
    """Takes most mails; answers some late, some with an error, and leaves some before or after taking them."""

    def __init__(self, chance: random.Random) -> None:
        super().__init__()
        self.chance, self.calm = chance, False
        self.behave = self._way

    def _way(self) -> str:
        ways = ["take", "slow", "too slow", "refuse now", "drop before", "drop after"]
        return "take" if self.calm else self.chance.choices(ways, [84, 5, 1, 6, 2, 2])[0]

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        way = session.way
        if way == "slow":
            await asyncio.sleep(self.chance.uniform(0.2, 1.5))
        if way in ("slow", "too slow"):
            session.way = "take"
        answer = await super().handle_DATA(server, session, envelope)
        if way == "too slow":
            await asyncio.sleep(TIMEOUT_SECONDS + 1)
        return answer


@dataclass
class Round:
    house: House
    chance: random.Random
    done: Counter[str] = field(default_factory=Counter)
    stop: threading.Event = field(default_factory=threading.Event)
    pace: float = 1.0

    def faults(self) -> dict[str, Callable[[], object]]:
        house = self.house
        workers = [program for program in house.programs if program.name.startswith("worker")]
        return {
            "worker killed": lambda: self.chance.choice(workers).kill(),
            "worker's child killed": lambda: self.chance.choice(workers).kill_a_child(),
            "beat killed": lambda: self.chance.choice(house.programs[-2:]).kill(),
            "Redis emptied": lambda: house.redis.ask("flushall"),
            "Redis killed": self._redis,
            "PostgreSQL crashed": self._postgres,
            "worker stops consuming": self._deaf,
        }

    def _redis(self) -> None:
        self.house.redis.kill()
        time.sleep(self.chance.uniform(0.1, 2))
        self.house.redis.start()

    def _postgres(self) -> None:
        self.house.postgres.stop()
        time.sleep(self.chance.uniform(0.1, 2))
        self.house.postgres.start()

    def _deaf(self) -> None:
        command = [
            sys.executable,
            "-m",
            "celery",
            "-A",
            "fleet.celery",
            "control",
            "cancel_consumer",
            "alerts",
        ]
        subprocess.run(command, cwd=ROOT, env=self.house.environment, capture_output=True, timeout=30)

    def trouble(self) -> None:
        faults = self.faults()
        weights = dict(zip(faults, [6, 5, 1, 3, 2, 2, 1], strict=True))
        must = list(faults)  # each kind at least once, in an order of its own
        self.chance.shuffle(must)
        while not self.stop.wait(self.pace * self.chance.uniform(1.5, 4)):
            name = must.pop() if must else self.chance.choices(list(weights), list(weights.values()))[0]
            try:
                faults[name]()
            except (subprocess.SubprocessError, OSError, RuntimeError) as error:
                print(f"  ({name}: {error})")
            self.done[name] += 1

    def supervise(self, until: Callable[[], bool], seconds: float) -> bool:
        deadline, looked = time.monotonic() + seconds, 0.0
        while time.monotonic() < deadline:
            for program in self.house.programs:
                program.keep_up()
            if time.monotonic() - looked > 1:
                looked = time.monotonic()
                if until():
                    return True
            time.sleep(0.3)
        return False


def ask(house: House, what: str, *words: str) -> Any:
    """Run one function of `tests.faults.inside` within the program; None while the database is away."""
    command = [sys.executable, "-m", "tests.faults.inside", what, *words]
    found = subprocess.run(command, cwd=ROOT, env=house.environment, capture_output=True, text=True)
    if found.returncode:
        if what == "seed":
            raise RuntimeError(found.stderr)
        return None
    return json.loads(found.stdout)


@dataclass
class Settled:
    """Asks again and again whether all has come to an end; never waits, for somebody has to keep the workers up."""

    house: House
    process: subprocess.Popen[str] | None = None
    asked: float = 0.0

    def __call__(self) -> bool:
        if self.process is None:
            if time.monotonic() - self.asked > LOOKED_EACH:
                command = [sys.executable, "-m", "tests.faults.inside", "settled"]
                self.process = subprocess.Popen(
                    command, cwd=ROOT, env=self.house.environment, text=True,
                    stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                )  # fmt: skip
            return False
        if self.process.poll() is None:
            return False
        said, _ = self.process.communicate()
        code, self.process, self.asked = self.process.returncode, None, time.monotonic()
        return code == 0 and bool(json.loads(said))


@dataclass
class Sinks:
    mail: UnsteadyMail
    hooks: HookSink

    def calm(self, calm: bool, chance: random.Random) -> None:
        self.mail.chance, self.mail.calm = chance, calm
        self.hooks.behave = lambda: 200 if calm else chance.choices([200, 503, 0], [88, 8, 4])[0]

    def count(self) -> int:
        return len(self.mail.raw) + len(self.hooks.calls)

    def arrived(self) -> Counter[str]:
        found = Counter(str(message["Message-ID"]) for message in self.mail.parsed())
        found.update(f"hook:{headers['webhook-id']}" for headers, _ in self.hooks.calls)
        return found


@contextmanager
def everything(folder: Path) -> Iterator[tuple[House, Sinks]]:
    mail = UnsteadyMail(random.Random(0))
    controller = controller_of(mail)
    controller.start()
    postgres, redis = Postgres(folder, free_port()), Redis(folder, free_port())
    redis.start()
    house = House(
        postgres,
        redis,
        environment(folder, postgres, redis, **SETTINGS, ALMANAC_SMTP_PORT=str(controller.port)),
    )
    try:
        with hook_sink() as hooks:
            house.manage("migrate", "--noinput")
            quiet = ("--without-gossip", "--without-mingle")
            house.celery("worker-alerts", "worker", "-Q", "alerts", "-c", "1", "-n", "alerts@%h", *quiet)
            house.celery("worker-heavy", "worker", "-Q", "heavy", "-c", "2", "-n", "heavy@%h", *quiet)
            for name in ("beat-1", "beat-2"):
                house.celery(name, "beat", "--schedule", str(folder / name))
            yield house, Sinks(mail, hooks)
    finally:
        house.end()
        controller.stop()


def one_round(house: House, sinks: Sinks, seed: int, options: argparse.Namespace) -> dict[str, Any]:
    chance = random.Random(seed)
    sinks.calm(False, chance)
    starts = sum(program.starts for program in house.programs)
    expected = ask(house, "seed", str(seed), str(options.reminders), sinks.hooks.url)
    turn = Round(house, chance, pace=options.pace)
    began, sinks_before = time.monotonic(), sinks.count()
    troubles = threading.Thread(target=turn.trouble, daemon=True)
    troubles.start()
    try:
        turn.supervise(lambda: False, options.trouble_seconds)
        # On a slow machine little has left by then, and the rest would go undisturbed.
        enough = sinks_before + TROUBLED_SHARE * expected
        turn.supervise(lambda: sinks.count() >= enough, options.settled_within)
    finally:
        turn.stop.set()
    while troubles.is_alive():
        turn.supervise(lambda: True, 1)
        troubles.join(0.2)
    sinks.calm(True, chance)
    settled = turn.supervise(Settled(house), options.settled_within)
    took = time.monotonic() - began
    rows = ask(house, "rows", str(seed)) or []
    return judged(expected, rows, sinks.arrived()) | {
        "seed": seed,
        "settled": settled,
        "seconds": round(took),
        "restarts": sum(program.starts for program in house.programs) - starts,
        "faults": dict(turn.done),
        "keys": {key for key, _ in rows},
    }


def judged(expected: int, rows: list[list[Any]], arrived: Counter[str]) -> dict[str, int]:
    return {
        "expected": expected,
        "written": len(rows),
        "arrived once": sum(1 for key, state in rows if arrived[key] == 1 and state == "sent"),
        "uncertain": sum(1 for _, state in rows if state == "uncertain"),
        "of these arrived": sum(1 for key, state in rows if state == "uncertain" and arrived[key]),
        "given up": sum(1 for _, state in rows if state == "given_up"),
        "missing": sum(1 for key, state in rows if state != "uncertain" and not arrived[key])
        + max(expected - len(rows), 0),
        "twice": sum(1 for key, _ in rows if arrived[key] > 1),
    }


COLUMNS = (
    "seed", "expected", "written", "arrived once", "uncertain", "of these arrived", "given up", "missing", "twice",
    "restarts", "seconds",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--reminders", type=int, default=5000)
    parser.add_argument("--trouble-seconds", type=float, default=60)
    parser.add_argument(
        "--pace", type=float, default=1, help="pauses between faults, of 1.5 to 4 s, so many times longer"
    )
    parser.add_argument(
        "--settled-within", type=float, default=SETTLED_WITHIN, help="seconds after the trouble"
    )
    parser.add_argument("--keep", action="store_true", help="leave the logs where they are")
    options = parser.parse_args()
    signal.signal(
        signal.SIGTERM, lambda *_: sys.exit("ended from outside")
    )  # so that nothing is left running
    print("  ".join(COLUMNS), "faults", sep="  ", flush=True)
    bad, known, stray = 0, set(), 0
    folder = Path(tempfile.mkdtemp(prefix="faults-"))
    with everything(folder) as (house, sinks):
        for seed in options.seeds:
            result = one_round(house, sinks, seed, options)
            faults = ", ".join(f"{name} {count}" for name, count in sorted(result["faults"].items()))
            print("  ".join(f"{result[name]:>{len(name)}}" for name in COLUMNS), faults, sep="  ", flush=True)
            known |= result["keys"]
            if not result["settled"] or result["missing"] or result["twice"]:
                bad += 1
                print(f"  NOT AS IT SHOULD BE (settled: {result['settled']}); logs in {folder}", flush=True)
        stray = sum(1 for key in sinks.arrived() if key not in known)
    print(f"Arrived without a row of their own: {stray}.")
    if not bad and not stray and not options.keep:
        shutil.rmtree(folder, ignore_errors=True)
    sys.exit(1 if bad or stray else 0)


if __name__ == "__main__":
    main()

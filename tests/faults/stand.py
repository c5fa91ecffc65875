"""The whole program in its full mode, each process by the command of the compose file, on servers of a test's own."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from tests.faults.servers import ROOT, House, Postgres, Program, Redis, environment, wait_for
from tests.sinks import free_port

GUNICORN = [sys.executable, "-m", "gunicorn", "-c", "python:fleet.operating.gunicorn_settings"]


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:
            return bool(answer.status == 200)
    except (OSError, urllib.error.URLError):
        return False


def within(house: House, *words: str, check: bool = True) -> Any:
    """Run one function of `tests.faults.inside_crowd` within the program."""
    command = [sys.executable, "-m", "tests.faults.inside_crowd", *words]
    found = subprocess.run(command, cwd=ROOT, env=house.environment, stdout=subprocess.PIPE, text=True)
    if found.returncode:
        if check:
            raise RuntimeError(f"{words[0]} failed")
        return None
    return json.loads(found.stdout.splitlines()[-1])


@contextmanager
def standing(folder: Path, processes: int, tick: int) -> Iterator[tuple[House, str]]:
    """Web, two workers, beat that rings each `tick` seconds, PostgreSQL and Redis; the address of the pages."""
    port = free_port()
    postgres, redis = Postgres(folder, free_port()), Redis(folder, free_port())
    redis.start()
    settings = {
        "ALMANAC_STATIC": str(folder / "static"),
        "ALMANAC_TLS": "no",
        "ALMANAC_HOSTS": "127.0.0.1",
        "ALMANAC_BIND": f"127.0.0.1:{port}",
        "ALMANAC_WEB_PROCESSES": str(processes),
        "ALMANAC_BEAT_SIGN": str(folder / "beat-rang"),
        "ALMANAC_TICK_SECONDS": str(tick),
    }
    house = House(postgres, redis, environment(folder, postgres, redis, **settings))
    quiet = ("--without-gossip", "--without-mingle")
    try:
        house.manage("migrate", "--noinput")
        house.manage("collectstatic", "--noinput")
        web = [*GUNICORN, "fleet.wsgi:application"]
        house.programs.append(Program("web", web, house.environment, folder / "web.log"))
        house.celery("worker-alerts", "worker", "-Q", "alerts", "-c", "1", "-n", "alerts@%h", *quiet)
        house.celery("worker-heavy", "worker", "-Q", "heavy", "-c", "1", "-n", "heavy@%h", *quiet)
        house.celery("beat", "beat", "--schedule", str(folder / "beat"))
        yield house, f"http://127.0.0.1:{port}"
    finally:
        house.end()


def started(house: House, address: str) -> None:
    for program in house.programs:
        program.keep_up()
    wait_for(lambda: answers(f"{address}/ready"), "The program", 90)


def keep_up(house: House, over: threading.Event) -> None:
    """As a supervisor would, until it is over."""
    while not over.wait(0.2):
        for program in house.programs:
            program.keep_up()


def processor_of(root: int) -> float:
    """Seconds of processor that a process and all below it have taken, those that have ended included."""
    taken, below = {}, defaultdict(list)
    for place in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            fields = place.read_text().rpartition(")")[2].split()
            number = int(place.parent.name)
            below[int(fields[1])].append(number)
            taken[number] = sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")
    found, waiting = 0.0, [root]
    while waiting:
        number = waiting.pop()
        found += taken.get(number, 0.0)
        waiting += below[number]
    return found


def processors(house: House) -> dict[str, float]:
    """Of each program of a house, and of its database."""
    roots = {one.name: one.process.pid for one in house.programs if one.process is not None}
    roots["database"] = int((house.postgres.data / "postmaster.pid").read_text().split()[0])
    return {name: processor_of(root) for name, root in roots.items()}


def ended(good: bool, folder: Path) -> None:
    """Leave, with the logs where something was wrong."""
    if good:
        shutil.rmtree(folder, ignore_errors=True)
    else:
        print(f"NOT AS IT SHOULD BE; logs in {folder}")
    sys.exit(0 if good else 1)


def fell_short(seen: Any, kept: dict[str, Any]) -> list[str]:
    """What a crowd lost or doubled, in words; nothing when all is as it should be."""
    keys = set(kept["keys"])
    lost = [key for key in seen.answered if key not in keys and seen.answered[key] != "refused"]
    found = {
        "answered entries that are not there": len(lost),
        "entries without an answer": len(seen.waiting),
        "keys there twice": len(kept["keys"]) - len(keys),
        "tasks done twice": kept["tasks named twice"],
        "findings twice": kept["findings twice"],
        "services twice": kept["services twice"],
        "entries refused": seen.results["refused"],
        "entries answered in two ways": sum(seen.differently.values()),
    }
    return [f"{name}: {count}" for name, count in found.items() if count]

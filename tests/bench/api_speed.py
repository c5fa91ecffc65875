"""How quickly the API answers: a list of 100 heaters in process, and, behind the real server, a steady stream.

    python -m tests.bench.api_speed [--heaters 100000] [--per-second 50] [--seconds 20]

Uses the database of the environment, which must be empty or hold the estate of an earlier run. Prints the median of the
list in process (at most 10 ms), and the median, 95th and 99th percentile behind gunicorn with two workers (95th at most
50 ms): one heater, a page of 100, a filtered page, the queue's tasks, changes, each with a token and its scope.
The load comes at even times whatever the answers take, so that a slow answer does not slow the stream down.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import threading
import time
from statistics import median, quantiles
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")
PORT = 8038
NAME = "Invented estate of the API benchmark"


def prepared(heaters: int) -> tuple[str, list[int], list[int]]:
    """Token, some heaters, some properties."""
    from django.core.management import call_command

    from fleet.estate.access import scope_of
    from fleet.estate.models import Membership, Organisation, Property
    from fleet.estate.scope import scoped
    from fleet.estate.tokens import make_token
    from fleet.heaters.models import Heater

    call_command("migrate", verbosity=0, interactive=False)
    if not Organisation.objects.filter(name=NAME).exists():
        started = time.perf_counter()
        call_command("make_estate", heaters=heaters, name=NAME)
        print(f"estate made in {time.perf_counter() - started:.0f} s, the change feed's triggers included")
    member = Membership.objects.select_related("organisation", "person").get(
        organisation__name=NAME, role="owner"
    )
    with scoped(scope_of(member)):
        _, secret = make_token(member, "personal", "benchmark", ["read"], 1)
        numbers = list(Heater.objects.values_list("pk", flat=True)[::97][:500])
        return secret, numbers, list(Property.objects.values_list("pk", flat=True)[:50])


def in_process(secret: str) -> None:
    from django.test import Client

    client = Client(HTTP_AUTHORIZATION=f"Bearer {secret}", HTTP_HOST="localhost")
    for path in (
        "/api/v1/heaters?limit=100",
        "/api/v1/heaters?limit=100&fields=id,tag,kind,installed_latest",
    ):
        times, work = [], []
        for _ in range(60):
            started, worked = time.perf_counter(), time.process_time()
            answer = client.get(path)
            times.append((time.perf_counter() - started) * 1000)
            work.append((time.process_time() - worked) * 1000)
            assert answer.status_code == 200, answer.content[:200]
            assert len(answer.json()["items"]) == 100
        print(
            f"in process  {path:<75} median {median(times[10:]):6.2f} ms, least {min(times):6.2f} ms, "
            f"of the processor {median(work[10:]):.2f} ms, load {os.getloadavg()[0]:.1f}"
        )


def served(secret: str, heaters: list[int], properties: list[int], per_second: int, seconds: int) -> None:
    import httpx

    environment = os.environ | {"ALMANAC_HOSTS": "localhost,127.0.0.1", "ALMANAC_TLS": "no"}
    environment["ALMANAC_API_PER_MINUTE"] = "1000000"
    command = [
        sys.executable,
        "-m",
        "gunicorn",
        "fleet.wsgi",
        "-w",
        "2",
        "-b",
        f"127.0.0.1:{PORT}",
        "--log-level",
        "error",
    ]
    server = subprocess.Popen(command, env=environment)
    address = f"http://127.0.0.1:{PORT}/api/v1/"
    paths = [
        *(f"heaters/{number}" for number in heaters[:40]),
        *(f"heaters?limit=100&after={cursor}" for cursor in _cursors(heaters[:20])),
        *(f"heaters?property_id={number}&in_service=true" for number in properties[:20]),
        *(f"tasks?property_id={number}&state=open" for number in properties[:10]),
        "properties",
        "me",
    ]
    some_changes = "changes?limit=100&kinds=heaters"
    try:
        with httpx.Client(headers={"Authorization": f"Bearer {secret}"}, timeout=30) as http:
            _until_up(http, address)
            # The first reader of an estate just made gives all its changes their places.
            cursor = http.get(address + some_changes, timeout=600).json()["cursor"]
            paths += [f"{some_changes}&after={cursor}"] * 5
            for _ in range(2):
                for path in paths[::5]:
                    http.get(address + path)
            times = _stream(http, address, paths, per_second, seconds)
    finally:
        server.terminate()
        server.wait()
    for name in sorted({name for name, _ in times}):
        found = [one for kind, one in times if kind == name]
        print(f"served      {name:<75} median {median(found):6.2f} ms, {len(found)} requests")
    every = [one for _, one in times]
    cuts = quantiles(every, n=100)
    print(
        f"served      all, {per_second} a second for {seconds} s: median {median(every):.1f} ms, "
        f"p95 {cuts[94]:.1f} ms, p99 {cuts[98]:.1f} ms, load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )


def _cursors(numbers: list[int]) -> list[str]:
    from api.rows import write_cursor

    return [write_cursor(number) for number in numbers]


def _until_up(http: Any, address: str) -> None:
    for _ in range(100):
        try:
            if http.get(address + "me").status_code == 200:
                return
        except Exception:
            time.sleep(0.2)
    raise SystemExit("The server did not come up.")


def _stream(
    http: Any, address: str, paths: list[str], per_second: int, seconds: int
) -> list[tuple[str, float]]:
    times: list[tuple[str, float]] = []
    threads = []
    began = time.perf_counter() + 0.1

    def ask(number: int) -> None:
        due = began + number / per_second
        time.sleep(max(0.0, due - time.perf_counter()))
        path = paths[number * 7 % len(paths)]
        answer = http.get(address + path)
        assert answer.status_code == 200, (path, answer.status_code)
        kind = path.partition("?")[0].partition("/")[0] + (" by filter" if "property_id" in path else "")
        # From when it was due, so that waiting for a free worker counts.
        times.append((kind + (" (one)" if "/" in path else ""), (time.perf_counter() - due) * 1000))

    for number in range(per_second * seconds):
        threads.append(threading.Thread(target=ask, args=(number,)))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return times


def main() -> None:
    import django

    django.setup()
    read = argparse.ArgumentParser()
    read.add_argument("--heaters", type=int, default=100_000)
    read.add_argument("--per-second", type=int, default=50)
    read.add_argument("--seconds", type=int, default=20)
    asked = read.parse_args()
    secret, heaters, properties = prepared(asked.heaters)
    in_process(secret)
    served(secret, heaters, properties, asked.per_second, asked.seconds)


if __name__ == "__main__":
    main()

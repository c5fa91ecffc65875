"""How the program's large tasks grow with the record, from ten thousand heaters to a million, each with its exponent.

    ALMANAC_DATABASE_URL=postgresql://… python -m tests.bench.growth [--sizes 10000 100000 1000000] [--only forecast roll]

By hand, on PostgreSQL, as a role that may create databases. For each size a made estate is written into a database of its
own, growth_SIZE, where there is none of that name yet, and stays there: a second run forecasts and rolls forward what the
first one left. Imports go into growth_import, made anew each time, by two processes side by side, as two workers do. Printed: wall and processor seconds, the database's own
processes included, and the exponent of the processor time from one size to the next (1 = in step with the record).
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from functools import partial
from itertools import islice, pairwise
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from urllib.parse import urlsplit, urlunsplit

Seconds = tuple[float, float]  # wall, processor
WORKERS = 2
SETTINGS = (
    "server_version",
    "shared_buffers",
    "max_wal_size",
    "checkpoint_timeout",
    "synchronous_commit",
    "fsync",
    "autovacuum",
)
ROWS_A_FILE = 100_000
SERVICES_A_HEATER = 5
KINDS = ("flush", "anode inspected", "relief valve tested", "inspected", "repair")


def timed(work: Callable[[], object]) -> Seconds:
    from tests.bench.main_pages import processor_seconds

    wall, processor = time.perf_counter(), processor_seconds()
    work()
    return time.perf_counter() - wall, processor_seconds() - processor


def imported(size: int) -> dict[str, Seconds]:
    """A list of heaters and one of their service, five each, into an empty database, in files of 100,000 rows."""
    from fleet.estate.models import Organisation
    from tests.bench.import_speed import sheet

    Organisation.objects.create(name="Invented house of the growth benchmark", invented=True)
    heaters = csv.reader(io.StringIO(sheet(size).decode()))
    with TemporaryDirectory() as folder:
        lists = {
            "import of the heaters": in_files(heaters, size, Path(folder, "heaters")),
            "import of five services each": in_files(
                service(size), SERVICES_A_HEATER * size, Path(folder, "service")
            ),
        }
        return {label: side_by_side(files) for label, files in lists.items()}


def side_by_side(files: list[Path]) -> Seconds:
    """The files shared out among the workers; starting these is part of the time."""
    began = time.perf_counter()
    command = [sys.executable, "-m", "tests.bench.growth", "--take"]
    started = [
        subprocess.Popen([*command, *map(str, files[number::WORKERS])], stdout=subprocess.PIPE, text=True)
        for number in range(min(WORKERS, len(files)))
    ]
    answers = [process.communicate()[0] for process in started]
    if any(process.returncode for process in started):
        sys.exit("a worker failed")
    return time.perf_counter() - began, sum(float(answer.splitlines()[-1]) for answer in answers)


def take(files: list[Path]) -> None:
    """One worker's part: each file kept and taken in, one transaction a file."""
    from fleet.estate.models import Organisation
    from fleet.estate.scope import scope_of_organisation, scoped
    from fleet.heaters import services
    from tests.bench.main_pages import processor_seconds

    house = Organisation.objects.get()
    with scoped(scope_of_organisation(house, actor="benchmark")):
        for file in files:
            content = file.read_bytes()
            batch = services.keep_file(content, file.name, house.pk)
            found = services.accept(batch, date(2026, 11, 1)).counts
            if found["new"] != content.count(b"\n") - 1:
                sys.exit(f"not all rows were taken: {found}")
    print(processor_seconds())


def service(size: int) -> Iterator[list[str]]:
    yield ["Tag", "Work", "Date", "Cost", "Done by"]
    for number in range(SERVICES_A_HEATER * size):
        heater, turn = divmod(number, SERVICES_A_HEATER)
        day = date(2019, 1, 1) + timedelta(days=365 * turn + heater % 365)
        yield [f"W{heater:06}", KINDS[turn], day.isoformat(), "120.50", "Crew A"]


def in_files(rows: Iterator[list[str]], count: int, folder: Path) -> list[Path]:
    """So many rows as files, at least one for each worker."""
    folder.mkdir()
    headings, files = next(rows), list[Path]()
    while part := list(islice(rows, min(ROWS_A_FILE, -(-count // WORKERS)))):
        files.append(folder / f"list-{len(files)}.csv")
        with files[-1].open("w", newline="") as written:
            csv.writer(written).writerows([headings, *part])
    return files


def forecast(_: int) -> dict[str, Seconds]:
    from tests.bench.forecast_speed import measured

    found = measured(2)
    memory = sum(one.memory_mib for one in found)
    print(f"  two workers hold {memory:.0f} MiB together", file=sys.stderr)
    return {
        "fit, forecast and plan, 2 workers": (
            found[0].wall_seconds,
            sum(one.processor_seconds for one in found),
        )
    }


def roll(_: int) -> dict[str, Seconds]:
    from fleet.care import services
    from fleet.estate.calendar import today_of
    from fleet.estate.models import Organisation
    from tests.bench.forecast_speed import in_house

    def both(house: Organisation) -> dict[str, Seconds]:
        day = today_of(house)
        return {
            "roll-forward": timed(lambda: services.roll_forward(house, day)),
            "roll-forward of the next day": timed(
                lambda: services.roll_forward(house, day + timedelta(days=1))
            ),
        }

    return in_house(both)  # type: ignore[return-value]


def pages(_: int) -> dict[str, Seconds]:
    """All main pages and API lists once, each the median of five, and the dearest of them."""
    from django.test import Client

    from fleet.estate.models import Membership, Organisation
    from tests.bench.forecast_speed import in_house
    from tests.bench.main_pages import addresses

    places = in_house(lambda house: addresses())
    client, house = Client(HTTP_HOST="localhost"), Organisation.objects.order_by("pk").first()
    client.force_login(Membership.objects.filter(organisation=house, role="owner")[0].person)
    found: dict[str, Seconds] = {}
    for name, address in places.items():  # type: ignore[attr-defined]
        rounds = [timed(partial(client.get, address(turn))) for turn in range(6)][1:]
        found[name] = median(one[0] for one in rounds), median(one[1] for one in rounds)
    dearest = max(found, key=lambda name: found[name][0])
    print(f"  dearest page: {dearest}, {found[dearest][0] * 1000:.0f} ms", file=sys.stderr)
    wall, processor = (sum(one[part] for one in found.values()) for part in (0, 1))
    return {"main pages and API lists, each once": (wall, processor), "the dearest of them": found[dearest]}


STAGES: dict[str, Callable[[int], dict[str, Seconds]]] = {
    "import": imported,
    "forecast": forecast,
    "roll": roll,
    "pages": pages,
}


def address_of(name: str) -> str:
    return urlunsplit(urlsplit(os.environ["ALMANAC_DATABASE_URL"])._replace(path=f"/{name}"))


def prepared(name: str, anew: bool) -> bool:
    """Make the database where it is missing, or anew; whether it was made."""
    import psycopg
    from psycopg import sql

    with psycopg.connect(address_of("postgres"), autocommit=True) as server:
        if anew:
            server.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(name)))
        there = server.execute("SELECT 1 FROM pg_database WHERE datname = %s", [name]).fetchone()
        if there is None:
            server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        return there is None


def how_set() -> str:
    import psycopg

    with psycopg.connect(address_of("postgres")) as server:
        rows = server.execute(
            "SELECT name, current_setting(name) FROM pg_settings WHERE name = ANY(%s)", [list(SETTINGS)]
        ).fetchall()
    return "PostgreSQL: " + ", ".join(f"{name} {value}" for name, value in rows)


def run(name: str, *command: str) -> str:
    """A process of its own on that database; what it printed."""
    environment = os.environ | {
        "ALMANAC_DATABASE_URL": address_of(name),
        "DJANGO_SETTINGS_MODULE": "fleet.settings",
    }
    answer = subprocess.run(
        [sys.executable, *command], env=environment, stdout=subprocess.PIPE, text=True, check=True
    )
    return answer.stdout


def table(sizes: list[int], found: dict[str, dict[int, Seconds]]) -> None:
    heads = "".join(f"{size:>24,}" for size in sizes)
    print(f"{'seconds: wall (processor)':<36}{heads}   exponents")
    for label, by_size in found.items():
        cells = "".join(f"{by_size[size][0]:>13.2f} ({by_size[size][1]:>8.2f})" for size in sizes)
        exponents = [
            math.log(max(by_size[large][1], 1e-3) / max(by_size[small][1], 1e-3)) / math.log(large / small)
            for small, large in pairwise(sizes)
        ]
        print(f"{label:<36}{cells}   {', '.join(f'{one:.2f}' for one in exponents)}")


def main() -> None:
    read = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    read.add_argument("--sizes", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    read.add_argument("--only", nargs="+", choices=list(STAGES), default=list(STAGES))
    read.add_argument("--stage", choices=list(STAGES))
    read.add_argument("--take", type=Path, nargs="+")
    asked = read.parse_args()
    if asked.stage or asked.take:
        import django

        django.setup()
    if asked.take:
        take(asked.take)
        return
    if asked.stage:
        print(json.dumps(STAGES[asked.stage](asked.sizes[0])))
        return
    found: dict[str, dict[int, Seconds]] = {}
    print(how_set())
    for size in asked.sizes:
        for stage in asked.only:
            name = "growth_import" if stage == "import" else f"growth_{size}"
            made = prepared(name, anew=stage == "import")
            run(name, "manage.py", "migrate", "-v0")
            if made and stage != "import":
                run(name, "manage.py", "make-estate", "--heaters", str(size), "--seed", "1")
            answer = run(name, "-m", "tests.bench.growth", "--stage", stage, "--sizes", str(size))
            for label, seconds in json.loads(answer.splitlines()[-1]).items():
                found.setdefault(label, {})[size] = seconds
                print(
                    f"{size:,} {label}: {seconds[0]:.2f} s ({seconds[1]:.2f} of processor)", file=sys.stderr
                )
    table(asked.sizes, found)


if __name__ == "__main__":
    main()

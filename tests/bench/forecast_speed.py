"""How long a forecast with its fit and its plan takes on the record of the environment's database, with how many workers.

    python -m tests.bench.forecast_speed [--workers 2]

By hand, on a made estate (`manage.py make-estate`). Each worker is a process of its own, as a queue's would be: one makes
the forecast, the others help with its parts. Printed: wall time, and of each worker its processor time with that of its
database process, and its largest memory. The run and its rows stay in the database.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from dataclasses import asdict, dataclass

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")


@dataclass(frozen=True)
class Took:
    """Of one worker."""

    wall_seconds: float
    processor_seconds: float
    memory_mib: float
    words: str


def measured(workers: int) -> list[Took]:
    """A forecast by so many processes; the first one makes it."""
    run_id = in_house(_opened)
    command = [sys.executable, "-m", "tests.bench.forecast_speed", "--run", str(run_id)]
    started = [
        subprocess.Popen([*command, *([] if number else ["--lead"])], stdout=subprocess.PIPE, text=True)
        for number in range(workers)
    ]
    answers = [process.communicate()[0] for process in started]
    if any(process.returncode for process in started):
        sys.exit("a worker failed")
    return [Took(**json.loads(answer.splitlines()[-1])) for answer in answers]


def in_house(work: object, *asked: object) -> object:
    """Do something in the scope of the first organisation."""
    import django

    django.setup()
    from fleet.estate.models import Organisation
    from fleet.estate.scope import scope_of_organisation, scoped

    house = Organisation.objects.order_by("pk").first()
    with scoped(scope_of_organisation(house, actor="benchmark")):
        return work(house, *asked)  # type: ignore[operator]


def _opened(house: object) -> int:
    from fleet.planning.services import open_run

    return open_run(house).pk  # type: ignore[arg-type]


def _worker(house: object, run_id: int, leads: bool) -> Took:
    from fleet.planning import parts
    from fleet.planning.models import ForecastRun
    from fleet.planning.services import question_of, run_forecast
    from tests.bench.main_pages import processor_seconds

    run = ForecastRun.objects.get(pk=run_id)
    began, worked = time.perf_counter(), processor_seconds()
    steps: list[tuple[float, str]] = []
    if leads:
        run_forecast(run, lambda fraction, words: steps.append((time.perf_counter() - began, words)))
        told = [f"{at:.0f} s {words}" for at, words in steps if not words.startswith("Following part")]
        words = "made it: " + "; ".join(told)
    else:
        count = 0
        while ForecastRun.objects.filter(pk=run_id, state__in=("waiting", "running")).exists():
            count += parts.help_with(run_id, question_of)
            time.sleep(0.2)
        words = f"helped with {count} parts"
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Took(time.perf_counter() - began, processor_seconds() - worked, memory, words)


def main() -> None:
    read = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    read.add_argument("--workers", type=int, default=2)
    read.add_argument("--run", type=int)
    read.add_argument("--lead", action="store_true")
    asked = read.parse_args()
    if asked.run:
        print(json.dumps(asdict(in_house(_worker, asked.run, asked.lead))))  # type: ignore[call-overload]
        return
    found = measured(asked.workers)
    whole, memory = sum(one.processor_seconds for one in found), sum(one.memory_mib for one in found)
    print(
        f"{asked.workers} workers: {found[0].wall_seconds:.1f} s, {whole:.1f} s of processor, {memory:.0f} MiB together"
    )
    for one in found:
        print(f"  {one.processor_seconds:.1f} s of processor, {one.memory_mib:.0f} MiB; {one.words}")


if __name__ == "__main__":
    main()

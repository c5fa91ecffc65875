"""How long 100,000 rows take to import, against a bare bulk_create of the same rows in the same run; and the memory.

    python -m tests.bench.import_speed [rows]

Prints both times, their ratio (at most 2.5) and the peak of traced memory of an import.
Uses the database of the environment (ALMANAC_DATABASE_URL, else a new SQLite file).
"""

from __future__ import annotations

import csv
import gc
import io
import os
import resource
import sys
import time
from datetime import date
from typing import Any

HEADINGS = [
    *(
        "Site",
        "Bldg",
        "Location",
        "Tag",
        "Type",
        "Fuel",
        "Size",
        "BTU",
        "Installed",
        "Serial",
        "Set point",
        "Pan",
    ),
    *("Closed system", "Pressure", "Warranty"),
]
TYPES = [
    ("gas tank", "NG", "50 gal", "40k btu"),
    ("electric tank", "elec", "190 L", "4.5 kW"),
    ("HP", "", "65 gal", ""),
    ("power vent", "nat gas", "75 gal", "76,000"),
]
DATES = [
    "2012?",
    "~2015",
    "Spring 2014",
    "3/24/15",
    "2015-04-03",
    "42097",
    "12 yrs old",
    "unknown",
    "May 2018",
]
LIMIT = 2.5


def sheet(rows: int) -> bytes:
    """A list of heaters as an office writes it: 20 places a building, 10 buildings a site."""
    written = io.StringIO()
    writer = csv.writer(written)
    writer.writerow(HEADINGS)
    for number in range(rows):
        kind, fuel, size, power = TYPES[number % len(TYPES)]
        place = [
            f"Site {number // 200}",
            f"{number // 20 % 10 + 1}",
            f"Closet {number % 20 + 1}",
            f"W{number:06}",
        ]
        rest = [DATES[number % len(DATES)], f"S{number:07}", "120 F", "Y", "no", "65 psi", "6"]
        writer.writerow([*place, kind, fuel, size, power, *rest])
    return written.getvalue().encode()


def bare(organisation_id: int) -> float:
    """Write the rows of the first import again, as objects already known, with nothing but bulk_create."""
    from django.db import transaction

    from fleet.estate.models import Building, Position, Property
    from fleet.heaters.models import Heater

    models: list[Any] = [Property, Building, Position, Heater]
    fields = {
        model: [f.attname for f in model._meta.concrete_fields if f.attname not in ("id", "updated_at")]
        for model in models
    }
    kept = {model: list(model.objects.order_by("id").values("id", *fields[model])) for model in models}
    for model in reversed(models):
        model.objects.all().delete()
    gc.collect()
    start = time.perf_counter()
    with transaction.atomic():
        for model in models:
            for at in range(0, len(kept[model]), 2000):
                model.objects.bulk_create(
                    [model(**values) for values in kept[model][at : at + 2000]], batch_size=2000
                )
    return time.perf_counter() - start


def measure(rows: int) -> tuple[float, float, float]:
    """Seconds of the import, seconds of the bare writing, MB that the import added to the process at its peak."""
    from fleet.estate.models import Organisation
    from fleet.estate.scope import scope_of_organisation, scoped
    from fleet.heaters import services

    organisation = Organisation.objects.create(name=f"Bench {time.time_ns()}")
    content = sheet(rows)
    with scoped(scope_of_organisation(organisation)):
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start = time.perf_counter()
        batch = services.keep_file(content, "bench.csv", organisation.pk)
        comparison = services.accept(batch, date(2026, 11, 1))
        imported = time.perf_counter() - start
        memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        assert comparison.counts["new"] == rows, comparison.refusals[:3]
        del comparison
        return imported, bare(organisation.pk), memory


def main() -> None:
    import tempfile

    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as folder:
        os.environ["ALMANAC_DATA"] = folder
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        imported, bare_seconds, memory = measure(rows)
    print(f"{rows:,} rows: import {imported:.2f} s, bare bulk_create {bare_seconds:.2f} s")
    print(f"ratio {imported / bare_seconds:.2f} (at most {LIMIT}), memory added at the peak {memory:.0f} MB")
    if imported > LIMIT * bare_seconds:
        sys.exit("The import is too slow.")


if __name__ == "__main__":
    main()

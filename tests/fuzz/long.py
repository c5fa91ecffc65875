"""The long run over all readers, ten minutes unless told otherwise:

    uv run --group test python -m tests.fuzz.long [MINUTES]

Prints files read, the slowest of each kind and the peak memory; ends with an error at the first file that breaks a
reader, and writes that file beside the data folder's other files.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")

import django

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import transaction  # noqa: E402
from hypothesis import HealthCheck, given, settings  # noqa: E402

from fleet.estate.models import Organisation  # noqa: E402
from tests.fuzz.readers import KINDS, read_within_bounds  # noqa: E402


def main(minutes: float) -> int:
    call_command("migrate", verbosity=0)
    house = Organisation.objects.create(name="Fuzz House (invented)")
    end, slowest, count = time.monotonic() + minutes * 60, dict.fromkeys(KINDS, 0.0), dict.fromkeys(KINDS, 0)
    while time.monotonic() < end:
        for kind in KINDS:
            _some(kind, house, slowest, count)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print("kind     files  slowest (s of processor time)")
    for kind in KINDS:
        print(f"{kind:<8} {count[kind]:>5}  {slowest[kind]:.2f}")
    print(f"no crash, no hang; peak memory {peak:.0f} MB")
    return 0


def _some(kind: str, house: Organisation, slowest: dict[str, float], count: dict[str, int]) -> None:
    @settings(max_examples=100, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(KINDS[kind][0])
    def once(content: bytes) -> None:
        try:
            with transaction.atomic():
                slowest[kind] = max(slowest[kind], read_within_bounds(kind, house, content))
                transaction.set_rollback(True)
        except Exception:
            kept = Path(tempfile.gettempdir(), f"almanac-fuzz.{kind}")
            kept.write_bytes(content)
            print(f"{kind}: this file breaks its reader: {kept}")
            raise
        count[kind] += 1

    once()


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 10))

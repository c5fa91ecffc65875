"""The full mode for real: a Celery worker on Redis takes the bell, the database row holds the truth."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.db import connection
from django.utils import timezone

from fleet.estate.models import Job, Organisation
from fleet.estate.scope import unscoped

ROOT = Path(__file__).resolve().parents[3]
REDIS = os.environ.get("ALMANAC_REDIS_URL", "")
# A number of its own: tests beside this one empty the cache, and with it whatever else lies in the same number.
OWN_NUMBER = urlsplit(REDIS)._replace(path="/6").geturl()
worker_pause = threading.Event()
pytestmark = [
    pytest.mark.services,
    pytest.mark.skipif(
        not REDIS or connection.vendor != "postgresql",
        reason="needs PostgreSQL and Redis: set ALMANAC_DATABASE_URL and ALMANAC_REDIS_URL",
    ),
    pytest.mark.django_db(transaction=True),
]


def full_environment(folder: Path) -> dict[str, str]:
    own = connection.settings_dict
    address = (
        f"postgresql://{own['USER']}:{own['PASSWORD']}@{own['HOST']}:{own['PORT'] or 5432}/{own['NAME']}"
    )
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))}
    return kept | {
        "ALMANAC_MODE": "full",
        "ALMANAC_SECRET_KEY": "for-this-test-only",
        "ALMANAC_DATA": str(folder),
        "ALMANAC_DATABASE_URL": address,
        "ALMANAC_REDIS_URL": OWN_NUMBER,
    }


@pytest.fixture
def worker(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = [
        sys.executable,
        "-m",
        "celery",
        "-A",
        "fleet.celery",
        "worker",
        "-Q",
        "alerts,heavy",
        "-c",
        "1",
    ]
    with (tmp_path / "worker.log").open("wb") as log:
        process = subprocess.Popen(command, cwd=ROOT, env=full_environment(tmp_path), stdout=log, stderr=log)
        yield process
        process.terminate()
        process.wait(timeout=30)


def ring(folder: Path, task: str) -> None:
    """Put a message on the queue from another process, as a web process or beat would."""
    code = f"import django; django.setup(); from fleet.estate import jobs; jobs.{task}.delay()"
    environment = full_environment(folder) | {"DJANGO_SETTINGS_MODULE": "fleet.settings"}
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment, check=True)


def wait_until_done(job: Job, seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        with unscoped("watching a job"):
            job.refresh_from_db()
        if job.state not in (Job.State.WAITING, Job.State.RUNNING):
            return
        worker_pause.wait(0.2)


def test_a_worker_runs_the_row_that_the_bell_points_at(
    worker: subprocess.Popen[bytes], tmp_path: Path
) -> None:
    """By its own bell, and by the minute's tick where that bell was lost; more rings do not run it again."""
    house = Organisation.objects.create(name="Alder Homes (invented)")
    for bell in ("work_off_one", "tick"):
        with unscoped("making a job as a web process would"):
            job = Job.objects.create(
                organisation=house,
                kind="roll_forward",
                payload={"as_of": "2026-03-01"},
                run_after=timezone.now(),
            )
        ring(tmp_path, bell)
        ring(tmp_path, bell)
        wait_until_done(job)
        assert (job.state, job.error, job.attempts) == (Job.State.DONE, "", 1)

"""Celery for the full mode: it only carries the bell; `fleet.estate.background` holds the truth."""

import os
from pathlib import Path
from typing import Any

from celery import Celery
from celery.signals import after_task_publish, task_received, worker_process_init, worker_ready
from django.conf import settings

from fleet import worker_watch
from fleet.operating import traces

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")

app = Celery("fleet")
app.conf.update(settings.CELERY)
app.conf.imports = ("fleet.estate.jobs",)


@after_task_publish.connect
def _leave_a_sign(**_: Any) -> None:
    """Beat's health check looks at the age of this file: it has really rung, and the queue took it."""
    if path := os.environ.get("ALMANAC_BEAT_SIGN"):
        Path(path).touch()


@worker_process_init.connect
def _trace(**_: Any) -> None:
    traces.start("worker")


task_received.connect(worker_watch.heard, weak=False)
worker_ready.connect(worker_watch.start, weak=False)

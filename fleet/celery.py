"""Celery for the full mode: it only carries the bell; `fleet.estate.background` holds the truth."""

import os

from celery import Celery
from celery.signals import task_received, worker_ready
from django.conf import settings

from fleet import worker_watch

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")

app = Celery("fleet")
app.conf.update(settings.CELERY)
app.conf.imports = ("fleet.estate.jobs",)

task_received.connect(worker_watch.heard, weak=False)
worker_ready.connect(worker_watch.start, weak=False)

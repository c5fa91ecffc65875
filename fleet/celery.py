"""Celery for the full mode: it only carries the bell; `fleet.estate.background` holds the truth."""

import os

from celery import Celery
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.settings")

app = Celery("fleet")
app.conf.update(settings.CELERY)
app.conf.imports = ("fleet.estate.jobs",)

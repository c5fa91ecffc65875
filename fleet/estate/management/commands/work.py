"""manage.py work: run background jobs until stopped (the embedded mode's worker)."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import DatabaseError, close_old_connections

from fleet.estate.acting import Acting
from fleet.estate.background import run_next
from fleet.estate.rounds import hold_rounds

logger = logging.getLogger(__name__)
PAUSE_SECONDS = 1.0


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Runs background jobs until stopped. `start` runs this beside the pages in the embedded mode."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--parent", type=int, help="stop when this process is gone")

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        parent, looked = options["parent"], 0.0
        while not stop.is_set() and (parent is None or os.getppid() == parent):
            try:
                if time.monotonic() - looked >= settings.TICK_SECONDS or not looked:
                    looked = 0.0 if hold_rounds() else time.monotonic()
                if run_next() or not looked:
                    continue
            except DatabaseError:
                logger.exception("The database did not answer; trying again.")
                close_old_connections()
            stop.wait(PAUSE_SECONDS)

"""manage.py work: run background jobs until stopped (the embedded mode's worker)."""

from __future__ import annotations

import os
import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand

from fleet.estate.background import run_next
from fleet.estate.rounds import daily_rounds

PAUSE_SECONDS = 1.0
ROUNDS_SECONDS = 60.0


class Command(BaseCommand):
    help = "Runs background jobs until stopped. `start` runs this beside the pages in the embedded mode."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--parent", type=int, help="stop when this process is gone")

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        parent, waited = options["parent"], ROUNDS_SECONDS
        while not stop.is_set() and (parent is None or os.getppid() == parent):
            if run_next():
                continue
            if waited >= ROUNDS_SECONDS:
                daily_rounds()
                waited = 0.0
            stop.wait(PAUSE_SECONDS)
            waited += PAUSE_SECONDS

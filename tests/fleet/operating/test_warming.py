"""The program that pages are forked from has read everything and holds no connection."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
ASKS = """
import json, sys
from fleet import wsgi
from fleet.operating.gunicorn_settings import on_starting, preload_app
on_starting(None)
from django.db import connection
before, opened = set(sys.modules), connection.connection is not None
from django.test import Client
status = Client(HTTP_HOST="localhost").get("/sign-in/").status_code
own = sorted(name for name in set(sys.modules) - before if name.startswith(("fleet", "api", "forecasting")))
print(json.dumps([preload_app, status, own, opened]))
"""


def test_a_process_reads_nothing_of_the_program_at_its_first_request(tmp_path: Path) -> None:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))}
    settings = {"ALMANAC_DATA": str(tmp_path), "PROMETHEUS_MULTIPROC_DIR": str(tmp_path)}
    command = [sys.executable, "-W", "error", "-c", ASKS]
    ran = subprocess.run(command, cwd=ROOT, env=kept | settings, capture_output=True, text=True, timeout=120)
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout.splitlines()[-1]) == [True, 200, [], False]

"""How the pages are served in the full mode: `gunicorn -c python:fleet.operating.gunicorn_settings fleet.wsgi`.

The workers count requests into one folder, so that whichever of them answers for the metrics tells of all.
"""

from __future__ import annotations

import os
import tempfile
from typing import Any

# Before anything imports the counting library: it decides once, from this, where counts are kept.
os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", tempfile.mkdtemp(prefix="almanac-counts-"))

bind = os.environ.get("ALMANAC_BIND", "0.0.0.0:8014")
workers = int(os.environ.get("ALMANAC_WEB_PROCESSES", "3"))
# The program is read once and the processes are forked from it: a new one serves at once and shares its memory.
preload_app = True
max_requests = 2000
max_requests_jitter = 200
timeout = 60
graceful_timeout = 30
worker_tmp_dir = "/dev/shm" if os.path.isdir("/dev/shm") else None  # noqa: S108 - the heartbeat file wants memory


def on_starting(server: Any) -> None:
    from fleet.operating.warming import warm

    warm()


def child_exit(server: Any, worker: Any) -> None:
    from prometheus_client import multiprocess

    multiprocess.mark_process_dead(worker.pid)

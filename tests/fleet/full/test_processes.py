"""Every service of docker-compose.yml by hand: its exact command, environment and health check, from an empty database.

Only addresses are changed: hosts, ports and folders of the containers to those of this machine.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from tests.fleet.full.compose import ROOT, compose_file, docker_command

REDIS = os.environ.get("ALMANAC_REDIS_URL", "")
METRICS_TOKEN = "only-for-this-test-0123456789abcdef"
pytestmark = [
    pytest.mark.services,
    pytest.mark.skipif(
        not REDIS or connection.vendor != "postgresql" or shutil.which("redis-server") is None,
        reason="needs PostgreSQL and Redis: set ALMANAC_DATABASE_URL and ALMANAC_REDIS_URL",
    ),
]
pause = threading.Event()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@dataclass
class House:
    """The containers' world laid out in one folder of this machine."""

    folder: Path
    web_port: int = field(default_factory=free_port)
    queue_port: int = field(default_factory=free_port)
    database: str = field(default_factory=lambda: f"almanac_compose_{os.getpid()}")
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.services: dict[str, Any] = compose_file({"ALMANAC_WEB_PROCESSES": "2"})["services"]
        own = connection.settings_dict
        (self.folder / "secrets").mkdir()
        contents = {
            "secret_key": "0123456789abcdefghijklmnopqrstuvwxyz-of-this-test",
            "database_password": own["PASSWORD"] or "not-asked-for",
            "metrics_token": METRICS_TOKEN,
            "smtp_password": "",
            "oidc_secret": "",
            "old_secret_keys": "",
        }
        for name, content in contents.items():
            (self.folder / "secrets" / name).write_text(content, encoding="utf-8")
        self.moved = {
            "almanac@database:5432/almanac": f"{own['USER']}@{own['HOST']}:{own['PORT'] or 5432}/{self.database}",
            "queue:6379": f"127.0.0.1:{self.queue_port}",
            "/run/secrets/": f"{self.folder}/secrets/",
            "0.0.0.0:8014": f"127.0.0.1:{self.web_port}",
            "127.0.0.1:8014": f"127.0.0.1:{self.web_port}",
            "/tmp/beat": f"{self.folder}/beat",
        }

    def here(self, text: str) -> str:
        for there, here in self.moved.items():
            text = text.replace(there, here)
        return text

    def environment(self, name: str) -> dict[str, str]:
        given = {key: self.here(str(value)) for key, value in self.services[name]["environment"].items()}
        plain = {
            key: value for key, value in os.environ.items() if not key.startswith(("ALMANAC_", "DJANGO_"))
        }
        return plain | given | {
            "PATH": f"{Path(sys.executable).parent}:{plain['PATH']}",
            "ALMANAC_DATA": f"{self.folder}/almanac-data",
            "ALMANAC_STATIC": f"{self.folder}/static",
            "ALMANAC_TICK_SECONDS": "2",  # a minute is long for a test
            "HOSTNAME": socket.gethostname(),
        }  # fmt: skip

    def run(self, name: str, *more: str) -> subprocess.Popen[bytes]:
        command = [self.here(word) for word in self.services[name].get("command", docker_command())]
        environment = self.environment(name) if "environment" in self.services[name] else None
        with (self.folder / f"{name}.log").open("wb") as log:
            process = subprocess.Popen([*command, *more], cwd=ROOT, env=environment, stdout=log, stderr=log)
        self.processes[name] = process
        return process

    def log(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text(encoding="utf-8", errors="replace")

    def healthy(self, name: str) -> bool:
        """The service's own health check, run as the engine would run it beside the process."""
        first, *words = [self.here(word) for word in self.services[name]["healthcheck"]["test"]]
        command = words if first == "CMD" else ["sh", "-c", *words]
        if name == "queue":
            command[1:1] = ["-p", str(self.queue_port)]
        environment = self.environment(name) if "environment" in self.services[name] else None
        ran = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, timeout=30, check=False)
        return ran.returncode == 0

    def get(self, path: str, **headers: str) -> tuple[int, bytes]:
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.web_port}{path}",
            headers={"Host": "localhost", "X-Forwarded-Proto": "https", **headers},
        )
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()


def wait_until(true: Callable[[], bool], what: Callable[[], str], seconds: float = 90) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            pytest.fail(what())
        pause.wait(0.3)


@pytest.fixture
def house(tmp_path: Path, django_db_blocker: Any) -> Iterator[House]:
    made = House(tmp_path)
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {made.database}")
    try:
        yield made
    finally:
        for process in made.processes.values():
            process.kill()
            process.wait(timeout=30)
        with django_db_blocker.unblock(), connection.cursor() as cursor:
            cursor.execute(f"DROP DATABASE {made.database} WITH (FORCE)")
        connection.close()


def test_the_whole_house_starts_is_healthy_works_and_stops(house: House) -> None:
    house.run("queue", "--port", str(house.queue_port), "--bind", "127.0.0.1", "--dir", str(house.folder))
    wait_until(lambda: house.healthy("queue"), lambda: house.log("queue"))
    assert house.run("migrate").wait(timeout=180) == 0, house.log("migrate")
    collected = subprocess.run(
        [sys.executable, "manage.py", "collectstatic", "--noinput"],
        cwd=ROOT, env=house.environment("migrate"), capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert collected.returncode == 0, collected.stderr
    for name in ("web", "worker-alerts", "worker-heavy", "beat"):
        house.run(name)
    for name in ("web", "worker-alerts", "worker-heavy", "beat"):
        wait_until(lambda name=name: house.healthy(name), lambda name=name: f"{name}: {house.log(name)}")  # type: ignore[misc]

    # From beat through the queue to both workers and into the database: only then the pages call it ready.
    wait_until(lambda: b'"ready"' in house.get("/ready")[1], lambda: house.get("/ready")[1].decode())
    status, page = house.get("/sign-in/")
    assert status == 200
    sheet = page.decode().split('rel="stylesheet" href="')[1].split('"')[0]
    assert house.get(sheet)[0] == 200
    assert "almanac." in sheet and sheet.count(".") == 2, "the stylesheet's name carries a digest"
    assert house.get("/metrics")[0] == 404
    told = house.get("/metrics", Authorization=f"Bearer {METRICS_TOKEN}")[1].decode()
    assert 'almanac_worker_silent_seconds{queue="alerts"}' in told
    assert "almanac_requests_total" in told

    lines = [json.loads(line) for line in house.log("web").splitlines() if line.startswith("{")]
    assert any(line["event"] == "request" and line["route"] == "sign-in/" for line in lines)
    for name in ("beat", "worker-heavy", "worker-alerts", "web"):
        house.processes[name].send_signal(signal.SIGTERM)
        ended = house.processes[name].wait(timeout=60)
        # Celery's beat may close its schedule in the middle of a ring; the next beat rings what was left.
        in_a_ring = name == "beat" and "closed shelf" in house.log(name)
        assert ended == 0 or in_a_ring, f"{name}: {house.log(name)}"


def test_a_health_check_fails_when_its_service_is_not_there(house: House) -> None:
    for name in ("web", "beat", "queue"):
        assert not house.healthy(name), name

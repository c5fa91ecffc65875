"""`manage.py doctor` finds what is unsafe or unhealthy, says how to mend it, and ends with 1 when something is bad."""

from __future__ import annotations

import json
import shutil
import socket
from collections import namedtuple
from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Sink
from django.core.management import call_command
from django.db import OperationalError, connection
from django.utils import timezone

from fleet.estate import rounds
from fleet.estate.models import Job
from fleet.operating import conditions, worker_signs
from tests.conftest import Cast

Space = namedtuple("Space", "total used free")


def examined() -> tuple[dict[str, dict[str, str]], int]:
    """The worst finding of each part, and the command's end."""
    out, end = StringIO(), 0
    try:
        call_command("doctor", json=True, stdout=out)
    except SystemExit as stop:
        end = int(str(stop.code))
    worst: dict[str, dict[str, str]] = {}
    order = ["good", "doubtful", "bad"]
    for one in json.loads(out.getvalue()):
        kept = worst.get(one["part"])
        if kept is None or order.index(one["state"]) > order.index(kept["state"]):
            worst[one["part"]] = one
    return worst, end


@pytest.fixture
def sound(cast: Cast, settings: Any) -> Any:
    """An installation in which all is well."""
    settings.SECRET_KEY = "abcdefghijklmnopqrstuvwxyz-0123456789-ABCDEFGHIJK"
    settings.REDIS_URL = ""
    settings.MAIL_SET_UP = False
    rounds.hold_rounds()
    worker_signs.note_back_up()
    return settings


def test_all_is_well(sound: Any) -> None:
    found, end = examined()
    assert {part: one["state"] for part, one in found.items() if one["state"] == "bad"} == {}
    assert end == 0
    assert "SQLite" in found["database"]["words"] or "PostgreSQL" in found["database"]["words"]


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("DEBUG", True, "ALMANAC_DEBUG"),
        ("ALLOWED_HOSTS", ["*"], "ALMANAC_HOSTS"),
        ("SECRET_KEY", "short", "ALMANAC_SECRET_KEY"),
        ("SECRET_KEY", "a" * 50, "ALMANAC_SECRET_KEY"),
        ("METRICS_TOKEN", "guess", "ALMANAC_METRICS_TOKEN"),
    ],
)
def test_an_unsafe_setting_is_bad(sound: Any, name: str, value: Any, words: str) -> None:
    setattr(sound, name, value)
    found, end = examined()
    assert (found["settings"]["state"], end) == ("bad", 1)
    assert words in found["settings"]["mend"]


def test_pages_without_tls_are_bad_in_the_full_mode(sound: Any) -> None:
    sound.EMBEDDED, sound.TLS, sound.ADDRESS_SET_UP = False, False, True
    assert "ALMANAC_TLS" in examined()[0]["settings"]["mend"]


@pytest.mark.parametrize(
    ("set_up", "address", "words"),
    [
        (False, "http://127.0.0.1:8014", "Set ALMANAC_ADDRESS"),
        (True, "http://127.0.0.1", "Begin ALMANAC_ADDRESS with https"),
        (True, "https://elsewhere.example", "ALMANAC_HOSTS"),
    ],
)
def test_links_that_lead_nowhere_or_elsewhere_are_bad(
    sound: Any, set_up: bool, address: str, words: str
) -> None:
    sound.EMBEDDED, sound.TLS, sound.ADDRESS_SET_UP, sound.ADDRESS = False, True, set_up, address
    found, _ = examined()
    assert found["settings"]["state"] == "bad" and words in found["settings"]["mend"]


def test_a_full_disk_is_bad(sound: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Space(100 * 2**30, 99.5 * 2**30, 0.5 * 2**30))
    assert examined()[0]["disk"]["state"] == "bad"


def test_waiting_migrations_are_bad(sound: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conditions, "pending_migrations", lambda: ["heaters 0009_more"])
    assert "heaters 0009_more" in examined()[0]["tables"]["words"]


@pytest.mark.django_db(transaction=True)
def test_the_missing_guard_of_a_table_is_bad(sound: Any) -> None:
    names = {
        "postgresql": ["heaters_no_overlap ON heaters_heater"],
        "sqlite": ["heaters_no_overlap_insert", "heaters_no_overlap_update"],
    }
    kept = []
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT sql FROM sqlite_master WHERE name LIKE 'heaters_no_overlap%'")
            kept = [row[0] for row in cursor.fetchall()]
        else:
            cursor.execute(
                "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE tgname = 'heaters_no_overlap'"
            )
            kept = [row[0] for row in cursor.fetchall()]
        for name in names[connection.vendor]:
            cursor.execute(f"DROP TRIGGER {name}")
        try:
            assert examined()[0]["tables"]["state"] == "bad"
        finally:
            for statement in kept:
                cursor.execute(statement)


def test_a_job_that_waits_and_a_job_given_up_are_found(sound: Any, in_house: Cast) -> None:
    late = timezone.now() - timedelta(minutes=20)
    job = Job.objects.create(organisation=in_house.house, kind="forecast", run_after=late)
    assert "20 min" in examined()[0]["jobs"]["words"]
    Job.objects.filter(pk=job.pk).update(state="given_up", finished_at=late)
    found, end = examined()
    assert (found["jobs"]["state"], end) == ("doubtful", 0)
    assert "--retry" in found["jobs"]["mend"]


def test_a_silent_worker_is_found(cast: Cast, settings: Any) -> None:
    assert examined()[0]["workers"]["state"] == "doubtful"
    settings.EMBEDDED = False
    found, end = examined()
    assert (found["workers"]["state"], end) == ("bad", 1)


def test_an_old_back_up_is_doubtful_unless_another_program_makes_them(cast: Cast, settings: Any) -> None:
    assert "none was ever made" in examined()[0]["back-ups"]["words"]
    settings.BACKUPS = "elsewhere"
    assert examined()[0]["back-ups"]["state"] == "good"


def test_the_mail_server_is_asked(sound: Any) -> None:
    sound.MAIL_SET_UP = True
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    server = Controller(Sink(), hostname="127.0.0.1", port=port)
    server.start()
    try:
        sound.EMAIL_HOST, sound.EMAIL_PORT = "127.0.0.1", port
        assert examined()[0]["mail"]["state"] == "good"
        sound.EMAIL_USE_TLS = True  # which this server does not offer
        assert examined()[0]["mail"]["state"] == "bad"
    finally:
        server.stop()
    sound.EMAIL_USE_TLS = False
    assert "ALMANAC_SMTP_HOST" in examined()[0]["mail"]["mend"]


def test_a_redis_that_does_not_answer_is_bad(sound: Any) -> None:
    sound.REDIS_URL = "redis://127.0.0.1:1/0"
    assert examined()[0]["queue"]["state"] == "bad"


def test_a_database_that_does_not_answer_hides_no_other_finding(
    sound: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: object) -> object:
        raise OperationalError("the server closed the connection")

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr("django.db.backends.base.base.BaseDatabaseWrapper.cursor", broken)
        found, end = examined()
    assert (found["database"]["state"], end) == ("bad", 1)
    assert "disk" in found
    assert "tables" not in found


@pytest.mark.parametrize(
    ("command", "state"), [("true", "good"), ("false", "bad"), ("/nowhere/at-all", "bad")]
)
def test_a_file_scanner_is_tried(sound: Any, command: str, state: str) -> None:
    sound.FILE_SCANNER = command
    assert examined()[0]["file scanner"]["state"] == state

"""What every answer carries, what an error tells, what a file may hold."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.urls import NoReverseMatch, reverse
from openpyxl import load_workbook

from fleet.estate.models import SecurityEvent
from fleet.estate.scope import unscoped
from tests.conftest import Cast, make_heater

EVIL = ("=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(1)", "\t=1", "\uff1d1")
RUNS = re.compile(r"[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]")


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize("name", ["pages:portfolio", "pages:sign_in", "estate:account"])
def test_every_answer_carries_its_guards(cast: Cast, name: str) -> None:
    answer = (
        Client().get(reverse(name)) if name == "pages:sign_in" else cast.client(cast.owner).get(reverse(name))
    )
    policy = answer["Content-Security-Policy"]
    assert (
        "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "base-uri 'none'" in policy
    )
    assert "unsafe" not in policy and "*" not in policy and "http" not in policy
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["Cross-Origin-Opener-Policy"] == "same-origin"
    assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
    assert "geolocation=()" in answer["Permissions-Policy"]


def test_no_template_has_script_or_style_in_line() -> None:
    """The policy forbids it; a page that needs it would silently do nothing."""
    wrong = []
    for path in Path(settings.ROOT, "fleet").rglob("templates/**/*.html"):
        text = path.read_text(encoding="utf-8")
        if "mail" in path.parts:
            continue  # A mail has no stylesheet beside it.
        for found in re.finditer(
            r"<script(?![^>]*(?:src=|type=\"application/json\"))|\son\w+=\"|\sstyle=\"|<style", text
        ):
            wrong.append(f"{path.name}: {found[0]!r}")
    assert wrong == []


def test_what_a_person_sees_is_not_kept_by_the_browser(cast: Cast) -> None:
    assert "no-store" in cast.client(cast.owner).get(reverse("pages:heaters"))["Cache-Control"]


def test_a_session_cookie_is_out_of_reach_of_scripts_and_other_sites(cast: Cast) -> None:
    client = Client()
    client.post(reverse("pages:sign_in"), {"username": "owner@almanac.example", "password": "water-heater-9"})
    cookie = client.cookies[settings.SESSION_COOKIE_NAME]
    assert cookie["httponly"] and cookie["samesite"] == "Lax"


def test_an_unknown_host_gets_nothing(db: None) -> None:
    answer = Client(raise_request_exception=False).get("/sign-in/", HTTP_HOST="evil.example")
    assert answer.status_code == 400
    assert b"evil" not in answer.content and b"Traceback" not in answer.content


def test_a_request_that_is_too_large_is_not_read(db: None) -> None:
    answer = Client().post(
        reverse("pages:sign_in"), b"x", content_type="text/plain", CONTENT_LENGTH=str(10**10)
    )
    assert answer.status_code == 413
    assert b"At most" in answer.content


def test_a_form_without_its_token_changes_nothing(cast: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.owner)
    answer = client.post(reverse("estate:account"), {"name": "Changed"})
    assert answer.status_code == 403
    assert b"open too long" in answer.content
    cast.owner.refresh_from_db()
    assert cast.owner.name == "Owner"


def test_an_error_tells_nothing_of_the_inside(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise RuntimeError("the password is hunter2 in /srv/secret")

    monkeypatch.setattr("fleet.pages.fleet_ages.ages", fail)
    client = Client(raise_request_exception=False)
    client.force_login(cast.owner)
    answer = client.get("/")
    assert answer.status_code == 500
    for word in (b"hunter2", b"RuntimeError", b"Traceback", b"/srv", b"fleet"):
        assert word not in answer.content


def tables_of(body: bytes, name: str) -> list[list[str]]:
    """All cells of a file that is downloaded: CSV, XLSX or a ZIP of them."""
    if name.endswith(".xlsx"):
        book = load_workbook(io.BytesIO(body), read_only=True)
        return [
            [str(cell or "") for cell in row] for sheet in book for row in sheet.iter_rows(values_only=True)
        ]
    if body.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(body)) as package:
            return [row for inner in package.namelist() for row in tables_of(package.read(inner), inner)]
    return list(csv.reader(io.StringIO(body.decode("utf-8-sig"))))


FILES = [
    ("heaters_export:export_file", ["csv"], "record.zip"),
    ("heaters_export:export_file", ["xlsx"], "record.xlsx"),
    ("pages:heaters_file", [], "list.csv"),
]


@pytest.mark.parametrize(("name", "arguments", "file"), FILES)
def test_no_file_holds_a_cell_that_a_spreadsheet_would_run(
    cast: Cast, name: str, arguments: list[str], file: str
) -> None:
    with unscoped("heaters with evil names"):
        for number, evil in enumerate(EVIL):
            make_heater(cast.house, evil, f"{evil}{number}", maker=evil, notes=evil)
    answer = cast.client(cast.owner).get(reverse(name, args=arguments))
    cells = [cell for row in tables_of(b"".join(answer.streaming_content), file) for cell in row]
    answer.close()
    assert sum("cmd|" in cell for cell in cells) >= 1
    assert [cell for cell in cells if RUNS.match(cell) and not is_number(cell)] == []


def test_every_writer_of_tables_neutralises() -> None:
    """Modules that write CSV or XLSX for people use `neutralised`, or the writer of a module that does."""
    wrong = []
    for folder in ("fleet", "api"):
        for path in Path(settings.ROOT, folder).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            writes = "csv.writer(" in text or re.search(r"\bWorkbook\(write_only", text)
            if writes and not re.search(r"\b(?:neutralised|_?safe)\(", text):
                wrong.append(str(path.name))
    assert wrong == []


def test_a_file_that_leaves_stands_in_the_security_log(cast: Cast) -> None:
    cast.client(cast.planner).get(reverse("heaters_export:export_file", args=["json"])).close()
    with unscoped("looking"):
        event = SecurityEvent.objects.get(kind="export")
    assert (event.organisation, event.person) == (cast.house, cast.planner)
    assert "record.json" in event.words


def test_passwords_are_kept_by_argon2() -> None:
    from fleet import settings as own

    assert own.PASSWORD_HASHERS[0].endswith("Argon2PasswordHasher")


def test_cookies_over_tls_are_tied_to_this_host(tmp_path: Path) -> None:
    """The settings of the full mode, in a process of their own."""
    asked = "import json; from fleet import settings as s; print(json.dumps([s.SESSION_COOKIE_NAME, s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE, s.SECURE_HSTS_SECONDS, s.SECURE_HSTS_INCLUDE_SUBDOMAINS, s.SECURE_SSL_REDIRECT]))"
    environment = {
        **os.environ,
        "ALMANAC_MODE": "full",
        "ALMANAC_DATA": str(tmp_path),
        "ALMANAC_SECRET_KEY": "k" * 60,
        "ALMANAC_DATABASE_URL": "postgresql://nobody@127.0.0.1:5432/none",
        "ALMANAC_REDIS_URL": "redis://127.0.0.1:6379/9",
        "ALMANAC_HOSTS": "almanac.example",
    }
    environment.pop("DJANGO_SETTINGS_MODULE", None)
    told = subprocess.run(
        [sys.executable, "-c", asked],
        cwd=settings.ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    name, *guards, redirect = json.loads(told.stdout)
    assert name.startswith("__Host-")
    assert guards[:2] == [True, True] and guards[2] >= 31_536_000 and guards[3] is True
    assert redirect is True
    environment["ALMANAC_HOSTS"] = "*"
    refused = subprocess.run(
        [sys.executable, "-c", asked], cwd=settings.ROOT, env=environment, capture_output=True, text=True
    )
    assert "ALMANAC_HOSTS names the hosts" in refused.stderr


@pytest.mark.parametrize("name", ["estate:account", "pages:health", "pages:heaters"])
def test_trace_is_not_answered(cast: Cast, name: str) -> None:
    try:
        where = reverse(name)
    except NoReverseMatch:
        where = "/health"
    answer = cast.client(cast.owner).generic("TRACE", where, HTTP_X_SECRET="said again")
    assert answer.status_code == 405
    assert b"said again" not in answer.content

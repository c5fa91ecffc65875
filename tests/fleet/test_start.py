"""The main job as a new user starts it: the invented estate, its ten-year table, the heaters to watch, the pages."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import urllib.request
from contextlib import closing
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def start(data: Path, *words: str) -> subprocess.Popen[str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))}
    return subprocess.Popen(
        [sys.executable, "manage.py", "start", *words],
        cwd=ROOT,
        env=kept | {"ALMANAC_DATA": str(data)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    data = tmp_path_factory.mktemp("estate")
    output, errors = start(data, "--demo", "--once").communicate(timeout=300)
    assert errors == ""
    return data, output


def test_it_prints_ten_fiscal_years_with_their_spread(first: tuple[Path, str]) -> None:
    _, output = first
    assert len(re.findall(r"^FY ?20\d\d", output, re.MULTILINE)) >= 10
    for word in ("p10", "p50", "p80", "p90", "USD"):
        assert word in output
    assert "made up" in output


def test_its_forecast_hears_the_ages_of_heaters_found_in_old_buildings(first: tuple[Path, str]) -> None:
    data, _ = first
    with closing(sqlite3.connect(data / "almanac.sqlite3")) as kept:
        ((found,),) = kept.execute("SELECT diagnostics FROM planning_forecastrun WHERE state = 'done'")
    words = json.loads(found)["messages"]
    assert any("found standing in old buildings" in one and "heard" in one for one in words), words
    assert json.loads(found)["method"] == "importance"


def test_it_says_how_to_sign_in_and_tells_the_password_only_to_the_owner_of_the_folder(
    first: tuple[Path, str],
) -> None:
    data, output = first
    assert "planner@almanac.example" in output
    assert (data / "demo-sign-in.txt").stat().st_mode & 0o077 == 0


def test_a_second_start_is_quick_and_keeps_what_was_changed(first: tuple[Path, str]) -> None:
    data, output = first
    again, errors = start(data, "--demo", "--once").communicate(timeout=60)
    assert errors == ""
    table = output[output.index("fiscal year") :]
    assert table in again
    assert "Loading" not in again


def test_it_serves_pages_and_stops_cleanly(first: tuple[Path, str]) -> None:
    data, _ = first
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = start(data, "--demo", "--port", str(port))
    assert process.stdout is not None
    try:
        for line in process.stdout:
            if line.startswith("Pages:"):
                break
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=20) as answer:
            assert answer.status == 200
            assert "Sign in" in answer.read().decode()
        process.send_signal(signal.SIGINT)
        rest, errors = process.communicate(timeout=40)
    finally:
        process.kill()
    assert "Stopped." in rest
    assert "Traceback" not in errors
    assert process.returncode == 0

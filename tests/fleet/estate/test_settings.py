"""Settings fail loudly: a bad value stops the program with a sentence that names the setting."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]


def manage(data: Path, *words: str, **settings: str) -> subprocess.CompletedProcess[str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))}
    environment = kept | {"ALMANAC_DATA": str(data)} | settings
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"ALMANAC_MODE": "cloud"}, "ALMANAC_MODE is 'cloud'"),
        ({"ALMANAC_MODE": "full"}, "Set ALMANAC_SECRET_KEY"),
        ({"ALMANAC_TLS": "maybe"}, "ALMANAC_TLS is 'maybe'"),
        ({"ALMANAC_SMTP_PORT": "post"}, "ALMANAC_SMTP_PORT is 'post'"),
        ({"ALMANAC_DATABASE_URL": "mysql://x/y"}, "ALMANAC_DATABASE_URL must look like"),
        ({"ALMANAC_SECRET_KEY_FILE": "/no/such/file", "ALMANAC_MODE": "full"}, "cannot be read"),
    ],
)
def test_a_bad_setting_stops_the_program(tmp_path: Path, settings: dict[str, str], said: str) -> None:
    result = manage(tmp_path, "check", **settings)
    assert result.returncode != 0
    assert said in result.stderr
    assert "Traceback" not in result.stderr


def test_the_embedded_mode_keeps_a_secret_only_its_owner_reads(tmp_path: Path) -> None:
    assert manage(tmp_path, "check").returncode == 0
    secret = tmp_path / "secret-key"
    assert stat.S_IMODE(secret.stat().st_mode) == 0o600
    before = secret.read_text()
    manage(tmp_path, "check")
    assert secret.read_text() == before
    assert len(before) >= 50


def test_a_data_folder_that_cannot_be_made_is_said_plainly(tmp_path: Path) -> None:
    blocked = tmp_path / "a-file"
    blocked.write_text("in the way")
    result = manage(blocked / "data", "check")
    assert "cannot be written" in result.stderr
    assert "Traceback" not in result.stderr


def test_a_database_that_is_not_there_is_said_plainly(tmp_path: Path) -> None:
    result = manage(tmp_path, "start", "--once", ALMANAC_DATABASE_URL="postgresql://nobody@127.0.0.1:1/none")
    assert result.returncode != 0
    assert "The database cannot be opened" in result.stderr
    assert "Traceback" not in result.stderr


def test_a_port_in_use_is_said_before_anything_is_done(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = manage(tmp_path, "start", "--port", str(port))
    assert f"Port {port} is already in use" in result.stderr
    assert not (tmp_path / "almanac.sqlite3").exists()


def test_the_deployment_check_finds_nothing(tmp_path: Path) -> None:
    result = manage(
        tmp_path,
        "check",
        "--deploy",
        "--fail-level",
        "WARNING",
        ALMANAC_MODE="full",
        ALMANAC_SECRET_KEY="x" * 25 + "yZ1-" * 10,
        ALMANAC_HOSTS="almanac.example",
        ALMANAC_DATABASE_URL="postgresql://almanac@127.0.0.1/almanac",
        ALMANAC_REDIS_URL="redis://127.0.0.1:6379/5",
    )
    assert result.returncode == 0, result.stderr


def test_the_version_stands_in_one_place_only() -> None:
    import tomllib

    from fleet.settings import VERSION

    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert version == VERSION
    sources = [path.read_text() for folder in ("fleet", "api") for path in (ROOT / folder).rglob("*.py")]
    assert not [source for source in sources if f'"{version}"' in source]


def test_a_command_before_there_is_a_record_says_what_comes_first(tmp_path: Path) -> None:
    ran = manage(tmp_path, "jobs")
    assert ran.returncode == 1
    assert "First: manage.py migrate, or start" in ran.stderr
    assert "Traceback" not in ran.stderr

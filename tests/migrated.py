"""A record with all its tables and nothing in them, made once a run: what is not about migrations begins with a copy."""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

ROOT = Path(__file__).resolve().parent.parent
RECORD = "almanac.sqlite3"
Once = Callable[[str, Callable[[Path], object]], Path]


def settings_left_out() -> dict[str, str]:
    """The environment for a program of its own, without what these tests run under."""
    return {name: value for name, value in os.environ.items() if not name.startswith(("ALMANAC_", "DJANGO_"))}


@pytest.fixture(scope="session")
def once_a_run(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Once:
    """A folder by its name: which worker needs it first makes it, the others wait for it. Nobody changes it after."""
    shared = tmp_path_factory.getbasetemp()
    if hasattr(request.config, "workerinput"):
        shared = shared.parent

    def folder(name: str, make: Callable[[Path], object]) -> Path:
        done = shared / f"{name}.done"
        with (shared / f"{name}.lock").open("w") as held:
            fcntl.flock(held, fcntl.LOCK_EX)  # who is killed lets go by itself
            if not done.exists():
                shutil.rmtree(shared / name, ignore_errors=True)
                (shared / name).mkdir()
                make(shared / name)
                done.touch()
        return shared / name

    return folder


@pytest.fixture(scope="session")
def migrated(once_a_run: Once) -> Path:
    """Where that record is kept: to be copied, never to be opened."""

    def make(folder: Path) -> None:
        subprocess.run(
            [sys.executable, "manage.py", "migrate", "-v0"],
            cwd=ROOT,
            env=settings_left_out() | {"ALMANAC_DATA": str(folder)},
            check=True,
        )
        # A program that ends abruptly leaves its last pages beside the file: only the file is copied.
        with closing(sqlite3.connect(folder / RECORD)) as record:
            record.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    return once_a_run("migrated", make) / RECORD


def open_copy_in_memory(migrated: Path) -> None:
    """The tests' own connection leads to a copy from here on."""
    name = connection.creation._get_test_db_name()  # type: ignore[attr-defined]
    connection.close()
    connection.settings_dict["NAME"] = name
    connection.ensure_connection()
    with closing(sqlite3.connect(migrated)) as source:
        source.backup(connection.connection)


def close_copy() -> None:
    """It is gone with its last connection."""
    connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)  # type: ignore[attr-defined]


@pytest.fixture(scope="session")
def django_db_setup(
    django_test_environment: None, django_db_modify_db_settings: None, django_db_blocker: Any, migrated: Path
) -> Iterator[None]:
    """On SQLite, in the place of the fixture that has each worker migrate a database of its own."""
    with django_db_blocker.unblock():
        open_copy_in_memory(migrated)
    yield
    with django_db_blocker.unblock():
        close_copy()

"""The embedded record moved into PostgreSQL, and restored there: the same export to the byte, guards and numbers whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.db import connection

from tests.fleet.operating.houses import Installation
from tests.migrated import Once

pytestmark = [
    pytest.mark.services,
    pytest.mark.skipif(
        connection.vendor != "postgresql", reason="needs PostgreSQL: set ALMANAC_DATABASE_URL"
    ),
]


@pytest.fixture
def new_database(django_db_blocker: Any) -> Iterator[str]:
    """The address of a database without tables."""
    name, own = f"almanac_move_{os.getpid()}", connection.settings_dict
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {name}")
    yield f"postgresql://{own['USER']}:{own['PASSWORD']}@{own['HOST']}:{own['PORT'] or 5432}/{name}"
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        cursor.execute(f"DROP DATABASE {name} WITH (FORCE)")
    connection.close()


@pytest.fixture(scope="module")
def embedded(once_a_run: Once, migrated: Path) -> Installation:
    def make(folder: Path) -> None:
        house = Installation(folder / "data")
        house.begin_with(migrated)
        house.done("make-estate", "--heaters", "80", "--seed", "4", "--name", "Moved (invented)")

    return Installation(once_a_run("embedded", make) / "data")


def test_moved_to_postgresql(embedded: Installation, new_database: str, tmp_path: Path) -> None:
    before = embedded.export(tmp_path / "before.json")
    assert "counts and digests are the same" in embedded.done("move-to", "--database-url", new_database)
    there = Installation(tmp_path / "there", {"ALMANAC_DATABASE_URL": new_database})
    assert there.export(tmp_path / "after.json") == before
    assert embedded.export(tmp_path / "still.json") == before

    refused = embedded.run("move-to", "--database-url", new_database)
    assert (refused.returncode, "already holds" in refused.stderr) == (1, True)
    with psycopg.connect(new_database) as direct:
        row = direct.execute(
            "SELECT position_id, organisation_id FROM heaters_heater WHERE ending = ''"
        ).fetchone()
        assert row is not None
        with pytest.raises(psycopg.Error), direct.transaction():
            direct.execute(
                "INSERT INTO heaters_heater SELECT * FROM heaters_heater WHERE position_id = %s LIMIT 1",
                row[:1],
            )
        largest = direct.execute("SELECT MAX(id) FROM heaters_heater").fetchone()
        following = direct.execute(
            "SELECT nextval(pg_get_serial_sequence('heaters_heater', 'id'))"
        ).fetchone()
        assert largest is not None and following is not None
        assert following[0] == largest[0] + 1


def test_a_back_up_of_sqlite_restored_into_postgresql(
    embedded: Installation, new_database: str, tmp_path: Path
) -> None:
    before = embedded.export(tmp_path / "before.json")
    embedded.done("back-up", str(tmp_path / "kept.zip"))
    there = Installation(tmp_path / "there", {"ALMANAC_DATABASE_URL": new_database})
    there.done("restore", str(tmp_path / "kept.zip"))
    assert there.export(tmp_path / "after.json") == before
    there.done("back-up", str(tmp_path / "there.zip"))
    back = Installation(tmp_path / "back")
    back.done("restore", str(tmp_path / "there.zip"))
    assert back.export(tmp_path / "back.json") == before


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("mysql://somewhere/else", "--database-url must look like postgresql://"),
        ("postgresql://nobody@127.0.0.1:1/none", "does not answer"),
        ("", "Say where to"),
    ],
)
def test_an_address_that_cannot_be(embedded: Installation, address: str, words: str) -> None:
    refused = embedded.run("move-to", f"--database-url={address}")
    assert refused.returncode == 1
    assert words in refused.stderr

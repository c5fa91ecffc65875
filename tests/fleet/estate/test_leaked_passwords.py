"""A password that stands in the operator's list of stolen ones is not taken."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from fleet.estate.leaked_passwords import stands_in
from tests.conftest import Cast
from tests.fleet.estate.test_second_factor import RIGHT

STOLEN = ("ferns-in-a-kettle", "Lantern over 9 hills", "παροιμία-παροιμία")


def digest(word: str) -> str:
    return hashlib.sha1(word.encode()).hexdigest().upper()


@pytest.fixture
def listed(tmp_path: Path, settings: Any) -> Path:
    """Every stolen word among two thousand others, as such lists are given out: in order, with counts."""
    words = [*STOLEN, *(f"word {number}" for number in range(2000))]
    path = tmp_path / "stolen.txt"
    path.write_text("".join(f"{line}:7\r\n" for line in sorted(map(digest, words))), encoding="ascii")
    name = "fleet.estate.leaked_passwords.LeakedPasswordValidator"
    settings.AUTH_PASSWORD_VALIDATORS = [{"NAME": name, "OPTIONS": {"path": str(path)}}]
    return path


@pytest.mark.parametrize("word", [*STOLEN, "ferns-in-a-cattle"])
def test_a_stolen_password_is_not_taken(cast: Cast, listed: Path, word: str) -> None:
    new = {"old_password": RIGHT, "new_password1": word, "new_password2": word}
    answer = cast.client(cast.owner).post(reverse("estate:password"), new)
    assert (answer.status_code == 302) == (word not in STOLEN)
    assert (b"stolen somewhere" in answer.content) == (word in STOLEN)


@given(
    st.sets(st.binary(min_size=20, max_size=20), max_size=60),
    st.binary(min_size=20, max_size=20),
    st.booleans(),
)
def test_looking_up_by_halving_finds_what_looking_at_each_line_finds(
    kept: set[bytes], other: bytes, counted: bool
) -> None:
    lines = sorted(one.hex().upper() for one in kept)
    file = BytesIO("".join(f"{line}{':12' if counted else ''}\n" for line in lines).encode())
    for one in {*kept, other}:
        assert stands_in(file, one.hex().upper().encode()) == (one in kept)


def test_a_list_that_cannot_be_read_stops_the_program(tmp_path: Path) -> None:
    asked = os.environ | {"ALMANAC_DATA": str(tmp_path), "ALMANAC_LEAKED_PASSWORDS": str(tmp_path / "none")}
    ended = subprocess.run(
        [sys.executable, "-c", "import fleet.settings"], env=asked, capture_output=True, text=True
    )
    assert ended.returncode != 0
    assert "ALMANAC_LEAKED_PASSWORDS points at" in ended.stderr

"""A company is opened from the command line, once."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from fleet.estate.models import Membership, Organisation
from tests.conftest import Cast


def run(*words: str) -> str:
    out = StringIO()
    call_command("open_company", *words, stdout=out)
    return out.getvalue()


def test_a_company_is_opened_with_its_code_and_first_person(cast: Cast) -> None:
    first = run("Copper Lane Plumbing (invented)", "--email", "boss@almanac.example")
    assert "password" in first
    company = Organisation.objects.get(kind="company")
    assert Membership.objects.get(organisation=company).role == "owner"
    again = run("Copper Lane Plumbing (invented)", "--email", "boss@almanac.example")
    assert "as before" in again
    assert first.splitlines()[0] == again.splitlines()[0]


@pytest.mark.parametrize(
    ("name", "email", "words"),
    [
        ("Copper Lane", "boss", "not an e-mail"),
        (" ", "boss@almanac.example", "a name"),
        ("Alder Homes (invented)", "boss@almanac.example", "owner of heaters"),
    ],
)
def test_what_cannot_be_is_said(cast: Cast, name: str, email: str, words: str) -> None:
    with pytest.raises(CommandError, match=words):
        run(name, "--email", email)

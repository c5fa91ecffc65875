"""manage.py plan and manage.py fit as a person types them."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal

import pytest
from django.core.management import CommandError, call_command

from fleet.estate.models import Organisation
from fleet.planning.models import ForecastRun
from tests.conftest import Cast

pytestmark = pytest.mark.django_db
COMMON = ["--organisation", "Alder Homes (invented)", "--as-of", "2026-11-01", "--draws", "60"]


def typed(*words: str) -> str:
    out = io.StringIO()
    call_command(*words, *COMMON, stdout=out)
    return out.getvalue()


def test_the_print_holds_years_groups_heaters_and_what_it_stands_on(estate: Organisation) -> None:
    text = typed("plan", "--years", "2", "--watch", "3")
    lines = text.splitlines()
    heading = next(line for line in lines if line.startswith("fiscal year"))
    years = [line for line in lines if line.startswith(("FY ", "rest of FY"))]
    assert [line.split("  ")[0] for line in years] == ["rest of FY 2026", "FY 2027", "FY 2028"]
    assert {len(line) for line in years} == {len(heading)}
    assert "as of 2026-11-01" in text
    assert "USD" in heading
    assert "Invented 0" in text
    assert "not offers" in text
    assert "3     H" in text


def test_json_and_csv_hold_the_same_numbers_every_time(estate: Organisation) -> None:
    first, second = (json.loads(typed("plan", "--json", "--years", "2")) for _ in range(2))
    assert first["result_digest"] == second["result_digest"]
    assert first["years"] == second["years"]
    assert first["heaters"] == second["heaters"]
    rows = list(csv.DictReader(io.StringIO(typed("plan", "--csv", "--years", "2"))))
    assert [row["cost_expected"] for row in rows] == [row["cost_expected"] for row in first["years"]]
    portfolio = sum(Decimal(row["cost_expected"]) for row in rows if row["grouping"] == "portfolio")
    assert portfolio == sum(Decimal(row["cost_expected"]) for row in rows if row["grouping"] == "kind")
    assert ForecastRun.objects.count() == 3


def test_fit_says_the_lives_and_how_far_to_trust_them(estate: Organisation) -> None:
    text = typed("fit")
    assert "Median life of a typical heater" in text
    assert "heat pump" in text
    assert "anode spent" in text
    assert "How far to trust it" in text
    assert "Buildings differ" in text
    assert "tables say" in text


def test_check_forecast_says_a_verdict_and_what_it_rests_on(estate: Organisation) -> None:
    text = typed("check_forecast")
    assert "the forecast made as of that day expected" in text
    assert "plain Weibull fit with delayed entry" in text
    assert "published table alone" in text
    assert "Failures by calendar year" in text
    assert "Invented 0" in text
    assert json.loads(typed("check_forecast", "--json"))["verdict"]["words"] in text


def test_a_command_may_be_typed_with_hyphens(monkeypatch: pytest.MonkeyPatch) -> None:
    from fleet.command_line import main

    seen: list[list[str]] = []
    monkeypatch.setattr("django.core.management.execute_from_command_line", seen.append)
    for words in (["check-forecast", "--as-of", "2026-11-01"], ["--version"], []):
        monkeypatch.setattr("sys.argv", ["manage.py", *words])
        main()
    assert seen == [
        ["manage.py", "check_forecast", "--as-of", "2026-11-01"],
        ["manage.py", "--version"],
        ["manage.py"],
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["plan", "--as-of", "3/4/15"], "write it as 2026-11-25"),
        (["plan", "--as-of", "2999-01-01"], "lies in the future"),
        (["plan", "--years", "0"], "give 1 to 40 years"),
        (["fit", "--draws", "1"], "give 50 to 20,000"),
        (["plan", "--organisation", "Nobody"], "no organisation called 'Nobody'"),
    ],
)
def test_what_cannot_be_done_is_told_plainly(cast: Cast, words: list[str], message: str) -> None:
    with pytest.raises(CommandError, match=message):
        call_command(words[0], "--organisation", "Alder Homes (invented)", *words[1:])

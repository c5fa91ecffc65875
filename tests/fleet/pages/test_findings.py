"""The titles of pictures say what their rows hold, and nothing else."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from fleet.pages import findings


def test_the_dearest_year_is_named_with_its_range() -> None:
    years = [
        SimpleNamespace(period="FY 2027", expected=100.0, p10=50.0, p90=160.0),
        SimpleNamespace(period="FY 2028", expected=2400.0, p10=900.0, p90=4100.0),
    ]
    assert findings.of_years(years, "USD") == (
        "FY 2028 costs most: USD 2,400 expected, in eight of ten futures between USD 900 and USD 4,100"
    )
    seldom = [SimpleNamespace(period="FY 2027", expected=370.0, p10=0.0, p90=0.0)]
    assert findings.of_years(seldom, "USD") == (
        "FY 2027 costs most: USD 370 expected, though in nine of ten futures nothing falls due"
    )


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([("0", "0 %", ""), ("1", "39 %", "20 % to 60 %"), ("3", "79 %", "50 % to 95 %")], "Within 3 years"),
        ([("0", "0 %", ""), ("1", "under 1 %", ""), ("10", "12 %", "")], "Within 10 years"),
        ([("0", "0 %", ""), ("1", "over 99 %", "")], "Within 1 year it"),
    ],
)
def test_a_heaters_curve_is_read_where_failing_becomes_likelier_than_not(
    points: list[tuple[str, str, str]], said: str
) -> None:
    assert findings.of_outlook(points).startswith(said)


def test_record_and_model_are_compared_at_an_age_that_both_reach() -> None:
    observed = [{"age": 5.0, "survival": 0.9}, {"age": 12.2, "survival": 0.41}]
    model = [{"age": 10.0, "survival": 0.6}, {"age": 12.0, "survival": 0.44}]
    assert findings.of_survival(observed, model).startswith("At 5 years 90 % still work on record")
    model.append({"age": 13.0, "survival": 0.4})
    assert findings.of_survival(observed, model) == (
        "At 12 years 41 % still work on record, 44 % in the model"
    )

"""Which heaters are taken on: each rule alone, and the strictest when several speak."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fleet.contracts.survey_rules import HeaterFacts, judge

SOUND = HeaterFacts(age_years=5, fail_chance=0.1, years_ahead=3, cared_for=True, is_storage=True)


@pytest.mark.parametrize(
    ("change", "verdict", "words"),
    [
        ({}, "taken", ""),
        ({"unsafe": ["gas smell"]}, "refused", "gas smell"),
        ({"no_access": True}, "refused", "cannot be reached"),
        ({"recalled": True}, "refused", "recalled"),
        ({"out_of_code": True}, "refused", "local code"),
        ({"fail_chance": 0.51, "age_years": 14}, "limited", "past its reliable age: it is about 14"),
        ({"fail_chance": 0.51, "age_years": None}, "limited", "its age is not known, and its chance"),
        ({"fail_chance": 0.5}, "taken", ""),
        ({"cared_for": False, "age_years": 7}, "limited", "No care is on record"),
        ({"cared_for": False, "age_years": None}, "limited", "No care is on record"),
        ({"cared_for": False, "age_years": 6}, "taken", ""),
        ({"cared_for": False, "age_years": 9, "is_storage": False}, "taken", ""),
        ({"closed_without_expansion": True}, "limited", "no expansion tank"),
        ({"no_access": True, "fail_chance": 0.9}, "refused", "past its reliable age"),
    ],
)
def test_rules(change: dict[str, object], verdict: str, words: str) -> None:
    ruling = judge(replace(SOUND, **change))  # type: ignore[arg-type]
    assert ruling.verdict == verdict
    assert words in " ".join(ruling.reasons)
    assert bool(ruling.reasons) == (verdict != "taken")

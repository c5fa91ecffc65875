"""What comes first: safety, then promises, then loss avoided per crew hour; each with its reason."""

from __future__ import annotations

import math
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.care import services
from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.care.priority import Risk, chance_within_a_year, order_of, priority
from fleet.care.risks import priorities
from fleet.planning.models import ForecastRun, HeaterOutlook
from tests.conftest import Cast

TODAY = date(2026, 6, 1)
KINDS = task_kinds()
risks = st.none() | st.builds(
    Risk, st.floats(0, 1), st.floats(0, 1e5), st.just("forecast of 1 Jun 2026"), st.just("USD")
)


@given(risk=risks, other=risks, late=st.integers(0, 900), days=st.integers(1, 900))
def test_no_money_stands_before_late_safety_work(
    risk: Risk | None, other: Risk | None, late: int, days: int
) -> None:
    safety = KINDS["draft_check"]
    missed = priority(
        safety, TODAY - timedelta(days=safety.window_days + days), safety.window_days, None, TODAY, risk
    )
    flush = priority(KINDS["flush"], TODAY - timedelta(days=late), 30, TODAY, TODAY, other)
    assert missed.order < flush.order
    assert "Safety work past its last day" in missed.why


@given(chance=st.floats(0.01, 1), extra=st.floats(10, 1e5), late=st.integers(0, 900))
def test_more_risk_more_lateness_and_less_time_come_first(chance: float, extra: float, late: int) -> None:
    def per_hour(kind: str, share: float, days: int) -> float:
        risk = Risk(share, extra, "x")
        return priority(KINDS[kind], TODAY - timedelta(days=days), 30, None, TODAY, risk).per_hour

    assert per_hour("flush", chance, late) >= per_hour("flush", chance / 2, late)
    assert per_hour("flush", chance, late + 30) > per_hour("flush", chance, late)
    assert KINDS["anode_renewal"].minutes >= KINDS["pan_drain_alarm"].minutes


def test_a_worked_example() -> None:
    """By hand: 12 % x 1,900 x the 10 % a flush avoids = 22.80, in 40 minutes: 34.20 an hour."""
    assert KINDS["flush"].minutes == 40
    found = priority(KINDS["flush"], TODAY, 30, None, TODAY, Risk(0.12, 1900, "forecast of 1 Jun 2026"))
    assert found.per_hour == pytest.approx(34.2)
    assert (
        "about USD 34" in found.why and "12 % chance" in found.why and "forecast of 1 Jun 2026" in found.why
    )


def test_a_promise_near_goes_before_other_work() -> None:
    near = priority(KINDS["flush"], TODAY, 30, TODAY + timedelta(days=3), TODAY, None)
    rich = priority(KINDS["anode_renewal"], TODAY, 30, None, TODAY, Risk(1, 1e6, "x"))
    assert near.order < rich.order
    assert near.why == "Promised by 4 Jun 2026"


@given(
    st.sampled_from(sorted(KINDS)),
    st.integers(-900, 900),
    st.one_of(st.none(), st.integers(-30, 30)),
    st.one_of(st.none(), st.floats(0, 1)),
)
def test_what_is_only_put_in_order_stands_where_what_is_told_stands(
    code: str, late: int, promised: int | None, chance: float | None
) -> None:
    by = TODAY + timedelta(days=promised) if promised is not None else None
    risk = Risk(chance, 900, "x") if chance is not None else None
    asked = (KINDS[code], TODAY - timedelta(days=late), 30, by, TODAY, risk)
    assert order_of(*asked) == priority(*asked).order


@given(st.floats(0, 60), st.floats(2, 40), st.floats(1, 8))
def test_the_chance_is_a_chance_and_grows_with_age(age: float, median: float, shape: float) -> None:
    """Of a Weibull life: exponential (shape 1) has no memory; from birth the median is survived by half."""
    found = chance_within_a_year(age, median, shape)
    assert 0 <= found <= 1
    assert chance_within_a_year(age + 1, median, shape) >= found - 1e-12
    assert chance_within_a_year(age, median, 1) == pytest.approx(1 - 2 ** (-1 / median))
    assert chance_within_a_year(0, 1, shape) == pytest.approx(0.5)
    assert math.isfinite(found)


def test_the_last_good_forecast_is_used_else_published_lifetimes(in_house: Cast) -> None:
    services.roll_forward(in_house.house, TODAY)
    tasks = list(Task.objects.filter(kind="flush") or Task.objects.all()[:1])
    tasks = [Task.objects.select_related("heater__position__building__property").get(pk=tasks[0].pk)]
    assert "published lifetimes" in priorities(tasks, TODAY)[tasks[0].pk].why
    run = ForecastRun.objects.create(organisation=in_house.house, as_of=date(2026, 5, 1), state="done")
    HeaterOutlook.objects.create(
        organisation=in_house.house, run=run, heater=in_house.heater, rank=1, age_years=10, age_known=True,
        p_fail_12_months=0.3, p_fail_36_months=0.6, remaining_life_p10_years=1, remaining_life_median_years=2,
        remaining_life_p90_years=5, planned_cost=1500, emergency_cost=2700,
    )  # fmt: skip
    assert (
        "30 % chance of failing within a year, forecast of 1 May 2026"
        in priorities(tasks, TODAY)[tasks[0].pk].why
    )

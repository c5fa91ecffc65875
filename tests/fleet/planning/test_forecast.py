"""A forecast through the real chain: sums, sameness, whose rows, what happens when it cannot be made."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from fleet.estate.background import work_off
from fleet.estate.models import Job, Organisation, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater
from fleet.planning import selectors
from fleet.planning.chain import NothingToForecast
from fleet.planning.explained import how_sure
from fleet.planning.models import CostLine, ForecastRun, HeaterOutlook
from fleet.planning.services import (
    CostBookRefused,
    RunRefused,
    cancel_run,
    ensure_cost_book,
    open_run,
    request_run,
    run_forecast,
)
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

SMALL: dict[str, Any] = {"as_of": AS_OF, "horizon_years": 2, "draws": 60}
pytestmark = pytest.mark.django_db


def test_the_tables_of_property_building_and_kind_sum_to_the_portfolio_to_the_cent(
    done_run: ForecastRun,
) -> None:
    plan = selectors.plan_tables(done_run)
    assert len(plan.by("property")) == 4
    for grouping in selectors.GROUPINGS:
        for index, year in enumerate(plan.total.years):
            rows = [table.years[index] for table in plan.by(grouping)]
            assert sum(row.cost.expected for row in rows) == year.cost.expected
            assert sum(row.count.expected for row in rows) == year.count.expected
    assert plan.total.total_cost == sum((year.cost.expected for year in plan.total.years), Decimal(0))
    assert plan.total.total_cost > 0
    assert [year.label for year in plan.total.years][:2] == ["rest of FY 2026", "FY 2027"]


def test_a_property_with_another_fiscal_year_also_gets_its_own_years(done_run: ForecastRun) -> None:
    plan = selectors.plan_tables(done_run)
    assert {table.name for table in plan.own_years()} == {"Invented 1"}
    assert plan.own_years()[0].years[1].start == date(2027, 7, 1)


def test_every_heater_in_service_is_ranked_with_its_reasons(done_run: ForecastRun) -> None:
    rows = list(selectors.ranked(done_run))
    assert {row.heater_id for row in rows} == set(
        Heater.objects.filter(ending="").values_list("pk", flat=True)
    )
    chances = [row.p_fail_36_months for row in rows]
    assert chances == sorted(chances, reverse=True)
    assert all(0 < row.p_fail_12_months <= row.p_fail_36_months <= 1 for row in rows)
    assert all(
        row.remaining_life_p10_years <= row.remaining_life_median_years <= row.remaining_life_p90_years
        for row in rows
    )
    assert all(1 <= len(row.reasons) <= 3 and row.reasons[0]["words"] for row in rows)


def test_the_same_record_and_seed_give_the_same_numbers_and_another_seed_others(
    estate: Organisation, done_run: ForecastRun
) -> None:
    again = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=120, seed=5))
    other = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=120, seed=6))
    assert again.inputs_digest == done_run.inputs_digest
    assert again.result_digest == done_run.result_digest
    assert again.result == done_run.result
    assert other.result_digest != done_run.result_digest


def test_a_forecast_says_where_nobody_said_since_when_endings_are_on_record(estate: Organisation) -> None:
    said = run_forecast(open_run(estate, AS_OF, horizon_years=1, draws=50))
    assert said.assumptions["watching"]["unsaid"] == said.assumptions["watching"]["endings"] == 0
    assert not any("written down" in line for line in how_sure(said))
    assert said.diagnostics["events_total"] > 0
    Property.objects.update(records_since=None)
    unsaid = run_forecast(open_run(estate, AS_OF, horizon_years=1, draws=50))
    told = unsaid.assumptions["watching"]
    standing = {one.position.building.property_id for one in Heater.objects.all()}
    ended = Heater.objects.exclude(ending="").count()
    assert told == {"properties": len(standing), "unsaid": len(standing), "endings": ended}
    assert ended > 0 and unsaid.diagnostics["events_total"] == 0
    words = " ".join(how_sure(unsaid))
    assert "No failure on record is heard yet" in words
    assert f"and {ended} endings on record, teach this forecast nothing" in words
    unsaid.assumptions["watching"]["endings"] = 0
    assert "have lasted there teaches this forecast nothing" in " ".join(how_sure(unsaid))


def test_a_changed_record_changes_the_digest_of_the_inputs(
    estate: Organisation, done_run: ForecastRun
) -> None:
    heater = Heater.objects.filter(ending="").first()
    heater.setpoint_f = 160
    heater.save()
    changed = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=120, seed=5))
    assert changed.inputs_digest != done_run.inputs_digest


def test_dearer_emergency_replacement_makes_the_plan_dearer_by_as_much(
    estate: Organisation, done_run: ForecastRun
) -> None:
    before = selectors.plan_tables(done_run).total.total_cost
    for line in CostLine.objects.all():
        line.emergency_cost *= 2
        line.save()
    for item in done_run.cost_book.items.filter(amount__isnull=False):
        item.amount *= 2
        item.save()
    after = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=120, seed=5))
    # Each part of a price is rounded to the cent before it is summed.
    assert abs(selectors.plan_tables(after).total.total_cost - 2 * before) < Decimal("1")


def test_asked_in_the_background_it_shows_progress_and_is_done(estate: Organisation) -> None:
    run = request_run(estate, **SMALL)
    same = request_run(estate, **SMALL)
    assert same.pk == run.pk
    assert work_off(1) == 1
    run.refresh_from_db()
    assert run.state == ForecastRun.State.DONE
    assert Job.objects.get(kind="forecast").fraction == 1
    assert selectors.latest_run(estate.pk) == run


def test_a_failed_run_leaves_the_last_good_one_in_use(estate: Organisation, done_run: ForecastRun) -> None:
    CostLine.objects.filter(kind="heat_pump").delete()
    run = request_run(estate, **SMALL)
    work_off()
    run.refresh_from_db()
    assert run.state == ForecastRun.State.FAILED
    assert "no price for heat pump" in run.error
    assert "9 in service" in run.error
    assert selectors.latest_run(estate.pk) == done_run


def test_called_off_while_waiting_it_never_runs(estate: Organisation) -> None:
    run = request_run(estate, **SMALL)
    cancel_run(run)
    assert work_off() == 0
    run.refresh_from_db()
    assert run.state == ForecastRun.State.CANCELLED


def test_called_off_while_it_runs_it_stops_and_stores_nothing(estate: Organisation) -> None:
    from fleet.estate.background import Cancelled

    run = open_run(estate, **SMALL)

    def report(fraction: float, words: str) -> None:
        if fraction > 0.6:
            raise Cancelled

    with pytest.raises(Cancelled):
        run_forecast(run, report)
    run.refresh_from_db()
    assert run.state == ForecastRun.State.CANCELLED
    assert run.result is None
    assert not HeaterOutlook.objects.exists()


def test_another_organisation_sees_no_run_no_outlook_no_price(cast: Cast, done_run: ForecastRun) -> None:
    with scoped(scope_of_organisation(cast.other_house)):
        assert selectors.latest_run(cast.house.pk) is None
        assert not ForecastRun.objects.exists()
        assert not HeaterOutlook.objects.exists()
        assert not CostLine.objects.exists()
    assert not HeaterOutlook.objects.filter(heater_id=cast.foreign_heater.pk).exists()


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"as_of": date(2999, 1, 1)}, "lies in the future"),
        ({"horizon_years": 0}, "give 1 to 40 years"),
        ({"draws": 3}, "give 50 to 20,000"),
        ({"seed": -1}, "random seed"),
    ],
)
def test_what_cannot_be_asked_is_told_plainly(in_house: Cast, wanted: dict[str, Any], words: str) -> None:
    with pytest.raises(RunRefused, match=words):
        open_run(in_house.house, **wanted)
    assert not ForecastRun.objects.exists()


def test_an_empty_record_is_told_plainly(in_house: Cast) -> None:
    Heater.objects.all().delete()
    with pytest.raises(NothingToForecast, match=r"Import heaters first|No heater is in service"):
        run_forecast(open_run(in_house.house))
    assert ForecastRun.objects.get().state == ForecastRun.State.FAILED


def test_a_missing_kind_names_the_kind_and_how_many_stand_without_price(estate: Organisation) -> None:
    ensure_cost_book(estate)
    CostLine.objects.filter(kind="electric_storage", capacity_from_gal=60).delete()
    with pytest.raises(CostBookRefused, match=r"no price for electric storage of 75 gal: \d in service"):
        run_forecast(open_run(estate, **SMALL))


def test_an_outlook_keeps_its_interval_and_what_would_lower_the_chance(done_run: ForecastRun) -> None:
    rows = list(selectors.ranked(done_run))
    for row in rows:
        assert [chance[0] for chance in row.chances] == [1, 3, 5, 10]
        assert all(low <= middle <= high for _, middle, low, high in row.chances)
        middles = [chance[1] for chance in row.chances]
        assert middles == sorted(middles)
        assert row.chances[1][1] == pytest.approx(row.p_fail_36_months, abs=1e-3)
    helped = [remedy for row in rows for remedy in row.remedies]
    assert {"renew_anode", "flush"} <= {remedy["action"] for remedy in helped}
    assert all(remedy["p_after"] < remedy["p_before"] and remedy["caution"] for remedy in helped)
    for row in rows:
        within_five = next(chance[1] for chance in row.chances if chance[0] == 5)
        assert all(remedy["p_before"] == within_five for remedy in row.remedies), "one chance for five years"

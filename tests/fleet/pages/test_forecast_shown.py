"""What the pages show of a stored forecast and of due care: the run's own numbers, to the people who may see them."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from xml.etree import ElementTree

import pytest
from django.urls import reverse

from fleet.care.models import Task
from fleet.estate.calendar import today_of
from fleet.estate.models import Membership
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.pages import fleet_ages, forecasts, survival
from fleet.planning.models import ForecastRun, HeaterOutlook
from tests.conftest import Cast, make_heater


def figures(expected: float) -> dict[str, str]:
    return {"expected": str(expected)} | {f"p{n}": str(expected * n / 50) for n in (10, 50, 80, 90)}


def year(cost: float) -> dict[str, Any]:
    return {"count": figures(cost / 1000), "cost": figures(cost)}


@pytest.fixture
def run(cast: Cast) -> ForecastRun:
    with scoped(scope_of_organisation(cast.house)):
        run = ForecastRun.objects.create(
            organisation=cast.house,
            as_of=date(2026, 3, 1),
            state=ForecastRun.State.DONE,
            assumptions={"currency": "EUR"},
            result={
                "years": [{"label": "FY 2026"}, {"label": "FY 2027"}],
                "groups": {
                    "total": [{"key": "", "years": [year(12_345), year(23_456)]}],
                    "property": [{"key": cast.property.pk, "years": [year(777), year(888)]}],
                },
                "own_years": [],
            },
        )
        HeaterOutlook.objects.create(
            organisation=cast.house,
            run=run,
            heater=cast.heater,
            rank=1,
            age_years=10,
            age_known=True,
            p_fail_12_months=0.23,
            p_fail_36_months=0.51,
            remaining_life_p10_years=0.5,
            remaining_life_median_years=2.9,
            remaining_life_p90_years=7.5,
            planned_cost=Decimal(1900),
            emergency_cost=Decimal(2900),
            reasons=[{"words": "older than most of its kind"}],
        )
    return run


def text(cast: Cast, person: Any, name: str, *arguments: Any) -> str:
    answer = cast.client(person).get(reverse(f"pages:{name}", args=arguments))
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_the_portfolio_says_cost_and_risk(cast: Cast, run: ForecastRun) -> None:
    page = text(cast, cast.owner, "portfolio")
    assert "EUR 12,345" in page
    assert "23,456" in page
    assert "23 %" in page
    assert "older than most of its kind" in page


def test_a_property_shows_its_own_share(cast: Cast, run: ForecastRun) -> None:
    page = text(cast, cast.owner, "property", cast.property.pk)
    assert "EUR 777" in page
    assert "12,345" not in page
    where = f'data-label="Where">{cast.building}, {cast.position}<'
    assert where in page, "on a property's own page its name is not repeated row by row"
    whole = cast.client(cast.owner).get(reverse("pages:portfolio")).content.decode()
    assert f'data-label="Where">Alder Court, {cast.building}, {cast.position}<' in whole


def test_a_property_with_another_fiscal_year_shows_its_own_years(cast: Cast, run: ForecastRun) -> None:
    run.result["own_years"] = [
        {
            "key": cast.property.pk,
            "calendar": [{"label": "FY own"}],
            "years": [year(555)],
            "fiscal_start_month": 7,
        }
    ]
    with scoped(scope_of_organisation(cast.house)):
        assert [row.period for row in forecasts.years(run, "property", cast.property.pk)] == ["FY own"]
        assert [row.period for row in forecasts.years(run)] == ["FY 2026", "FY 2027"]


def test_a_heater_shows_its_outlook_and_the_curve_goes_through_the_runs_points(
    cast: Cast, run: ForecastRun
) -> None:
    page = text(cast, cast.owner, "heater", cast.heater.pk)
    for shown in ("23 %", "51 %", "2.9", "0.5 to 7.5", "EUR 1,900", "EUR 2,900", "1 Mar 2026"):
        assert shown in page
    with scoped(scope_of_organisation(cast.house)):
        outlook = forecasts.outlook_of(run, cast.heater.pk)
    assert outlook is not None
    curve = [(point["years"], point["failed"]) for point in forecasts.curve(outlook)]
    assert curve == [(0, 0), (0.5, 0.1), (1, 0.23), (2.9, 0.5), (3, 0.51), (7.5, 0.9)]


@pytest.mark.parametrize("name", ["money_picture", "outlook_picture"])
def test_pictures_of_the_forecast_are_drawn(cast: Cast, run: ForecastRun, name: str) -> None:
    arguments = [cast.heater.pk] if name == "outlook_picture" else []
    answer = cast.client(cast.owner).get(reverse(f"pages:{name}", args=arguments), {"narrow": "1"})
    assert answer["Content-Type"] == "image/svg+xml"
    assert ElementTree.fromstring(answer.content).tag.endswith("svg")


def test_without_a_forecast_pages_say_so_and_the_picture_does_not_exist(cast: Cast) -> None:
    assert "No forecast has been run yet" in text(cast, cast.owner, "portfolio")
    assert "No forecast has looked at this heater yet" in text(cast, cast.owner, "heater", cast.heater.pk)
    assert cast.client(cast.owner).get(reverse("pages:money_picture")).status_code == 404


def test_someone_of_one_property_sees_its_heaters_outlook_but_not_the_portfolios_money(
    cast: Cast, run: ForecastRun
) -> None:
    membership = Membership.objects.get(person=cast.technician)
    membership.all_properties = False
    membership.save()
    membership.properties.add(cast.property)
    page = text(cast, cast.technician, "portfolio")
    assert "12,345" not in page
    assert "23 %" in text(cast, cast.technician, "heater", cast.heater.pk)


def test_due_care_is_counted_by_building_and_by_heater(cast: Cast) -> None:
    today = today_of(cast.house)
    with scoped(scope_of_organisation(cast.house)):
        for days, kind in ((-400, "flush"), (10, "anode_inspection")):
            Task.objects.create(
                organisation=cast.house,
                heater=cast.heater,
                kind=kind,
                due_on=today + timedelta(days=days),
                rule="x",
                reason="because it is a test",
            )
        elsewhere = make_heater(cast.house, "Cedar Yard", "C-1")
        due = forecasts.due_summary(today)
    assert (due.overdue, due.due, due.total) == (1, 1, 2)
    assert due.buildings[0].name == "Alder Court, A"
    assert "2 tasks open, 1 overdue" in text(cast, cast.owner, "building", cast.building.pk)
    assert '<p class="figure">2</p><p>tasks, 1 overdue' in text(
        cast, cast.owner, "property", cast.property.pk
    )
    assert '<p class="figure">0</p><p>tasks</p>' in text(
        cast, cast.owner, "property", elsewhere.position.building.property_id
    )
    assert "because it is a test" in text(cast, cast.owner, "heater", cast.heater.pk)
    assert cast.client(cast.owner).get(reverse("pages:queue_picture")).status_code == 200


def test_ages_fall_back_on_the_day_of_making_and_count_the_unknown_apart(in_house: Cast) -> None:
    unknown = {"installed_earliest": None, "installed_latest": None, "installed_precision": "unknown"}
    make_heater(in_house.house, tag="U-1", **unknown)
    made = {"made_earliest": date(2020, 1, 1), "made_latest": date(2020, 12, 31), "made_precision": "year"}
    make_heater(in_house.house, tag="M-1", kind="heat_pump", **unknown, **made)
    found = fleet_ages.ages(date(2026, 12, 1))
    assert (found.total, found.unknown) == (3, 1)
    counts = {(row["band"], row["side"]): row["count"] for row in found.picture if row["count"]}
    assert counts == {("9 to 11", "gas"): 1, ("6 to 8", "electric and other"): 1}


@pytest.mark.parametrize("days", [0, 1, 1095, 1096, 1097, 2191, 2192, 8765, 8766, 20_000])
def test_an_exact_day_and_one_vague_by_a_day_fall_into_the_band_of_their_age(
    in_house: Cast, days: int
) -> None:
    today = date(2026, 12, 1)
    day = today - timedelta(days=days)
    make_heater(in_house.house, tag="E-1", kind="heat_pump", installed_earliest=day, installed_latest=day)
    near = {"installed_earliest": day - timedelta(days=1), "installed_latest": day + timedelta(days=1)}
    if days:
        make_heater(in_house.house, tag="V-1", kind="heat_pump", **near, installed_precision="between")
    for found in (fleet_ages.ages(today), fleet_ages.ages(today, in_house.property.pk)):
        counts = {
            row["order"]: row["count"] for row in found.picture if row["count"] and row["side"] != "gas"
        }
        assert counts == {fleet_ages.band_of(days / 365.2425): 2 if days else 1}


def test_a_heater_shows_its_band_and_what_would_change_it(cast: Cast, run: ForecastRun) -> None:
    with scoped(scope_of_organisation(cast.house)):
        row = HeaterOutlook.objects.get()
        row.chances = [
            [1, 0.23, 0.12, 0.34],
            [3, 0.51, 0.41, 0.62],
            [5, 0.7, 0.6, 0.8],
            [10, 0.97, 0.9, 0.99],
        ]
        row.remedies = [
            {"action": "flush", "words": "flush the tank", "caution": "The water drained is scalding hot.",
             "years": 5, "p_before": 0.7, "p_after": 0.64, "change": [-0.1, 0.012]}
        ]  # fmt: skip
        row.save()
    page = text(cast, cast.owner, "heater", cast.heater.pk)
    assert "41 % to 62 %" in page
    assert "Flush the tank: chance of failing within 5 years from 70 % to 64 %" in page
    assert "−10.0 to +1.2 points" in page
    assert "scalding hot" in page
    drawing = cast.client(cast.owner).get(reverse("pages:outlook_picture", args=[cast.heater.pk]))
    assert "80 % interval" in drawing.content.decode()


def test_a_heater_stands_on_the_curve_of_its_kind(cast: Cast, run: ForecastRun) -> None:
    """Aged 10: between 60 % at 8 years and 40 % at 12 lies one half."""
    picture = reverse("pages:heater_survival_picture", args=[cast.heater.pk])
    assert cast.client(cast.owner).get(picture).status_code == 404
    assert "of its kind still work" not in text(cast, cast.owner, "heater", cast.heater.pk)
    with scoped(scope_of_organisation(cast.house)):
        run.diagnostics = {
            "lives": {"gas_storage_atmospheric": [[0, 1, 1, 1], [8, 0.6, 0.5, 0.7], [12, 0.4, 0.31, 0.52]]}
        }
        run.save()
        HeaterOutlook.objects.update(chances=[[1, 0.23, 0.12, 0.34], [3, 0.51, 0.41, 0.62]])
    page = text(cast, cast.owner, "heater", cast.heater.pk)
    assert (
        "50 % of its kind still work at its age, 10.0 years; it has an even chance of another 2.9 years"
        in page
    )
    assert "31 % to 52 %" in page and picture in page
    with scoped(scope_of_organisation(cast.house)):
        found = survival.of_heater(run, forecasts.outlook_of(run, cast.heater.pk), cast.heater.kind)
        assert found is not None
        assert found.own[2] == {"age": 13, "working": 0.49, "p10": 0.38, "p90": pytest.approx(0.59)}
        assert [row[0] for row in survival.table(found) if row[3]] == ["10.0"]
    drawing = cast.client(cast.owner).get(picture, {"narrow": "1"}).content.decode()
    assert "this heater, from today" in drawing and "this heater from its 10.0 years on" in drawing
    assert cast.client(cast.outsider).get(picture).status_code == 404


def test_the_curve_of_a_kind_is_the_portfolios_and_not_for_those_of_one_property(
    cast: Cast, run: ForecastRun
) -> None:
    with scoped(scope_of_organisation(cast.house)):
        run.diagnostics = {"lives": {"gas_storage_atmospheric": [[0, 1, 1, 1], [12, 0.4, 0.3, 0.5]]}}
        run.save()
    membership = Membership.objects.get(person=cast.technician)
    membership.all_properties = False
    membership.save()
    membership.properties.add(cast.property)
    page = text(cast, cast.technician, "heater", cast.heater.pk)
    assert "23 %" in page and "of its kind still work" not in page

"""A page of the plan reads what it shows, not the whole result; both say the same, in runs old and new."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from fleet.estate.models import Building, Property
from fleet.planning import blocks, selectors, services
from fleet.planning.models import ForecastRun, RunTable
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

pytestmark = pytest.mark.django_db


def addresses() -> list[str]:
    place = Property.objects.get(name="Invented 1")  # its fiscal year is not the portfolio's
    other = Property.objects.get(name="Invented 2")
    return [
        reverse("pages:portfolio"),
        reverse("pages:method"),
        reverse("pages:property", args=[place.pk]),
        reverse("pages:property", args=[other.pk]),
        reverse("pages:money_picture"),
        reverse("pages:money_so_far_picture"),
        reverse("planning:plan"),
        reverse("planning:runs"),
        reverse("planning:capital"),
        *(reverse("planning:grouped", args=[name]) for name in selectors.GROUPINGS),
    ]


def files() -> list[str]:
    return [
        reverse("planning:download", args=["plan", "csv"]),
        *(
            f"/api/v1/plan?grouping={name}"
            for name in ("portfolio", *selectors.GROUPINGS, "property_own_years")
        ),
    ]


def shown(client: Any, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, address
    return re.sub(r'(nonce|value)="[^"]{20,}"', "", b"".join(answer).decode())  # a file comes in pieces


def as_before(run: ForecastRun) -> None:
    """As runs were kept before their tables stood apart."""
    RunTable.objects.filter(run=run).delete()
    ForecastRun.objects.filter(pk=run.pk).update(overall=None)


def test_no_page_reads_the_whole_result(cast: Cast, done_run: ForecastRun) -> None:
    client = cast.client(cast.planner)
    for address in addresses():
        with CaptureQueriesContext(connection) as asked:
            shown(client, address)
        read = [one["sql"] for one in asked if '"planning_forecastrun"."result"' in one["sql"]]
        assert read == [], address


def test_a_run_of_before_says_the_same(cast: Cast, done_run: ForecastRun) -> None:
    client = cast.client(cast.planner)
    asked = [*addresses(), *files()]
    assert RunTable.objects.filter(run=done_run, grouping="building").count() == Building.objects.count()
    now = {address: shown(client, address) for address in asked}
    as_before(done_run)
    before = {address: shown(client, address) for address in asked}
    assert now == before
    assert (
        "The same in the property's own fiscal years" in now[reverse("planning:grouped", args=["property"])]
    )


def test_of_a_large_run_too(cast: Cast, estate: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "BLOCK_HEATERS", 10)
    monkeypatch.setattr(blocks, "LISTED", 2)
    run = services.run_forecast(services.open_run(estate, AS_OF, horizon_years=3, draws=60))
    client = cast.client(cast.planner)
    asked = [*addresses(), *files()]
    assert RunTable.objects.filter(run=run, grouping="property").count() == 2
    now = {address: shown(client, address) for address in asked}
    assert "more stand each on its own page" in now[reverse("planning:grouped", args=["property"])]
    as_before(run)
    assert now == {address: shown(client, address) for address in asked}


def test_made_again_it_keeps_one_table_of_each(cast: Cast, done_run: ForecastRun) -> None:
    """A run whose worker was lost between its end and its word is made again."""
    count = RunTable.objects.filter(run=done_run).count()
    ForecastRun.objects.filter(pk=done_run.pk).update(state=ForecastRun.State.RUNNING)
    services.run_forecast(ForecastRun.objects.get(pk=done_run.pk))
    assert RunTable.objects.filter(run=done_run).count() == count > 0

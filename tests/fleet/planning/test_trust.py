"""The check of the forecast: made, stored, shown, called off, and never worse than none."""

from __future__ import annotations

import re
from datetime import date
from typing import Any
from xml.etree import ElementTree

import pytest
from django.urls import reverse

from fleet.estate.background import Cancelled, work_off
from fleet.estate.models import Membership, Organisation
from fleet.heaters.models import Heater
from fleet.planning import trust, trust_chain
from fleet.planning.chain import NothingToForecast
from fleet.planning.models import ForecastRun, TrustCheck
from fleet.planning.services import open_run, request_run, run_forecast
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

pytestmark = pytest.mark.django_db
State = TrustCheck.State


@pytest.fixture
def check(done_run: ForecastRun, monkeypatch: pytest.MonkeyPatch) -> TrustCheck:
    monkeypatch.setattr(trust, "DRAWS", 120)
    return trust.run_check(trust.open_check(done_run.organisation, done_run))


def test_the_check_counts_every_failure_on_record_once_in_each_grouping(check: TrustCheck) -> None:
    failures = Heater.objects.filter(ending="tank_leak").count()
    assert check.state == State.DONE
    assert check.result
    assert check.result["failures_on_record"] == failures
    for grouping in ("year", "age", "kind", "property"):
        rows = check.result["expected"][grouping]
        assert sum(row["observed"] for row in rows) == pytest.approx(failures, abs=1e-3)
    totals = {
        grouping: sum(row["expected"] for row in rows) for grouping, rows in check.result["expected"].items()
    }
    assert max(totals.values()) == pytest.approx(min(totals.values()), rel=0.01)


def test_a_back_test_counts_what_failed_after_its_day(check: TrustCheck) -> None:
    assert check.result
    row = next(row for row in check.result["landmarks"] if row["horizon_years"] == 3)
    failed = Heater.objects.filter(
        removed_earliest__gt=row["landmark"],
        removed_earliest__lte="2026-11-01",
        installed_latest__lte=row["landmark"],
    )
    assert row["observed"] == failed.count()
    assert [score["forecast"][:5] for score in check.result["scores"]] == ["this ", "plain", "publi"]
    assert all(score["log_score"] < 0 < score["brier"] for score in check.result["scores"])


def test_the_same_record_and_seed_give_the_same_check(check: TrustCheck) -> None:
    again = trust.run_check(trust.open_check(check.organisation, check.run))
    assert (again.inputs_digest, again.result["verdict"]) == (check.inputs_digest, check.result["verdict"])
    assert again.result["landmarks"] == check.result["landmarks"]
    assert again.result["curves"] == check.result["curves"]


def test_the_page_says_the_verdict_and_each_picture_has_its_table(cast: Cast, check: TrustCheck) -> None:
    client = cast.client(cast.technician)
    page = client.get(reverse("planning:trust")).content.decode()
    first, day, rest = re.split(r"(\d{4}-\d\d-\d\d)", check.result["verdict"]["words"])
    made_on = date.fromisoformat(day)
    assert f"{first}{made_on.day} {made_on:%b %Y}{rest}" in page
    assert "Invented 0" in page
    pictures = [("failures_picture", grouping) for grouping in ("year", "age", "kind", "property")]
    pictures += [("survival_picture", curve["kind"]) for curve in check.result["curves"]]
    assert len(pictures) > 4
    for name, argument in pictures:
        address = reverse(f"planning:{name}", args=[argument])
        assert address in page
        for width in ("", "?narrow=1"):
            drawing = client.get(address + width)
            assert drawing["Content-Type"] == "image/svg+xml"
            ElementTree.fromstring(drawing.content)
    assert page.count("The same as a table") == len(pictures)
    assert client.get(reverse("planning:failures_picture", args=["moon"])).status_code == 404


def test_a_stranger_and_a_person_of_some_properties_see_no_check(cast: Cast, check: TrustCheck) -> None:
    some = Membership.objects.get(person=cast.technician)
    some.all_properties = False
    some.save()
    for person in (cast.outsider, cast.technician):
        client = cast.client(person)
        assert "No check has been made yet" in client.get(reverse("planning:trust")).content.decode()
        assert client.get(reverse("planning:failures_picture", args=["year"])).status_code == 404
    assert (
        cast.client(cast.outsider).post(reverse("planning:cancel_check", args=[check.pk])).status_code == 404
    )


def test_every_forecast_asked_for_carries_its_check(
    estate: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trust, "DRAWS", 60)
    run = request_run(estate, as_of=AS_OF, horizon_years=2, draws=60)
    assert work_off() == 2
    found = trust.latest_check(estate.pk)
    assert found is not None
    assert found.run_id == run.pk
    assert found.result["landmarks"]


def test_a_failed_check_leaves_the_last_good_one_in_use_and_says_so(
    cast: Cast, check: TrustCheck, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*arguments: Any) -> None:
        raise RuntimeError("the machine is out of sorts")

    monkeypatch.setattr(trust_chain, "compute", fails)
    with pytest.raises(RuntimeError):
        trust.run_check(trust.open_check(check.organisation))
    assert trust.latest_check(check.organisation_id) == check
    page = cast.client(cast.owner).get(reverse("planning:trust")).content.decode()
    assert "RuntimeError" in page
    assert "The one below stays in use" in page


def test_called_off_while_it_runs_it_keeps_nothing_and_waiting_it_never_runs(
    estate: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trust, "DRAWS", 60)
    running = trust.open_check(estate)
    with pytest.raises(Cancelled):
        trust.run_check(running, cancelled=lambda: True)
    running.refresh_from_db()
    assert (running.state, running.result) == (State.CANCELLED, None)
    waiting = trust.request_check(estate)
    assert trust.request_check(estate) == waiting
    trust.cancel_check(waiting)
    assert work_off() == 0
    waiting.refresh_from_db()
    assert waiting.state == State.CANCELLED


def test_a_forecast_called_off_in_the_middle_of_the_fit_is_called_off_not_failed(
    estate: Organisation,
) -> None:
    run = open_run(estate, AS_OF, horizon_years=2, draws=60)
    with pytest.raises(Cancelled):
        run_forecast(run, cancelled=lambda: True)
    run.refresh_from_db()
    assert (run.state, run.error) == (ForecastRun.State.CANCELLED, "")


def test_an_empty_record_is_told_plainly_and_a_young_one_is_not_judged(in_house: Cast) -> None:
    young = trust.run_check(trust.open_check(in_house.house))
    assert young.result["verdict"]["earned"] is None
    Heater.objects.all().delete()
    with pytest.raises(NothingToForecast, match="Import heaters first"):
        trust.run_check(trust.open_check(in_house.house))
    assert trust.latest_check(in_house.house.pk) == young


def test_only_those_who_plan_ask_for_a_check(cast: Cast, estate: Organisation) -> None:
    assert cast.client(cast.technician).post(reverse("planning:ask_check")).status_code == 403
    assert not TrustCheck.objects.exists()
    assert cast.client(cast.planner).post(reverse("planning:ask_check")).status_code == 302
    assert TrustCheck.objects.get().state == State.WAITING


def test_of_a_large_fleet_whole_buildings_are_checked_and_the_page_says_so(
    cast: Cast, estate: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trust_chain, "MOST_HEATERS", 40)
    monkeypatch.setattr(trust, "DRAWS", 60)
    check = trust.run_check(trust.open_check(estate))
    total = Heater.objects.count()
    assert 0 < check.result["heaters_checked"] <= 40 < total
    assert check.result["heaters_on_record"] == total
    checked = {row["group"] for row in check.result["expected"]["property"]}
    assert 0 < len(checked) < 4
    words = f"Checked on {check.result['heaters_checked']} of {total} heaters on record"
    assert words in cast.client(cast.owner).get(reverse("planning:trust")).content.decode()

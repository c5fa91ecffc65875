"""What a machine that watches is told: alive, ready, metrics; and the alert rules that stand on them."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.db import OperationalError
from django.test import Client
from django.utils import timezone
from prometheus_client.parser import text_string_to_metric_families

from fleet.estate import background, rounds
from fleet.estate.leases import Lease
from fleet.estate.models import Job
from fleet.operating import conditions
from fleet.planning.models import ForecastRun
from tests.conftest import Cast

TOKEN = "a-token-of-this-test-only-0123456789"
RULES = Path(__file__).resolve().parents[3] / "fleet" / "operating" / "alert_rules.yml"


def broken_cursor(*args: object) -> object:
    raise OperationalError("the server closed the connection")


def metrics(settings: Any) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    settings.METRICS_TOKEN = TOKEN
    answer = Client().get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})
    assert answer.status_code == 200
    families = text_string_to_metric_families(answer.content.decode())
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for one in families for s in one.samples}


def test_alive_needs_no_database(monkeypatch: pytest.MonkeyPatch, db: None) -> None:
    with monkeypatch.context() as meanwhile:
        meanwhile.setattr("django.db.backends.base.base.BaseDatabaseWrapper.cursor", broken_cursor)
        assert Client().get("/health").json()["status"] == "ok"
        answer = Client().get("/ready")
    assert answer.status_code == 503
    assert answer.json()["parts"]["database"] is False


def test_ready_once_the_tables_are_up_to_date_and_a_worker_was_heard(db: None) -> None:
    answer = Client().get("/ready")
    assert (answer.status_code, answer.json()["status"]) == (200, "serving without a part")
    assert answer.json()["parts"]["worker"] is False
    rounds.hold_rounds()
    assert Client().get("/ready").json() == {
        "status": "ready",
        "parts": {"database": True, "migrations": True, "queue": True, "worker": True},
    }
    Lease.objects.update(heard_at=timezone.now() - timedelta(minutes=11))
    assert Client().get("/ready").json()["parts"]["worker"] is False


def test_not_ready_while_migrations_wait(monkeypatch: pytest.MonkeyPatch, db: None) -> None:
    monkeypatch.setattr(conditions, "_up_to_date", False)
    monkeypatch.setattr(conditions, "pending_migrations", lambda: ["heaters 0009_more"])
    assert Client().get("/ready").status_code == 503


@pytest.mark.parametrize("given", ["", "Bearer wrong", f"Basic {TOKEN}", TOKEN, "Bearer "])
@pytest.mark.parametrize("token", ["", TOKEN])
def test_metrics_do_not_exist_for_who_does_not_hold_the_token(
    db: None, settings: Any, given: str, token: str
) -> None:
    settings.METRICS_TOKEN = token
    assert Client().get("/metrics", headers={"Authorization": given}).status_code == 404


def test_metrics_do_not_open_for_a_signed_in_owner(cast: Cast, settings: Any) -> None:
    settings.METRICS_TOKEN = TOKEN
    assert cast.client(cast.owner).get("/metrics").status_code == 404


def test_jobs_fits_and_requests_are_counted(in_house: Cast, settings: Any) -> None:
    late = timezone.now() - timedelta(minutes=30)
    background.enqueue("roll_forward", {}, in_house.house.pk)
    Job.objects.update(run_after=late)
    Job.objects.create(
        organisation=in_house.house, kind="forecast", state="running", run_after=late, claimed_until=late
    )
    done = {"organisation": in_house.house, "as_of": "2026-01-01", "state": "done"}
    for k_hat in (0.9, 0.31):  # only the newest counts
        ForecastRun.objects.create(
            **done,
            diagnostics={
                "k_hat": k_hat,
                "effective_draws": 812.0,
                "converged": True,
                "seconds": {"fit": 3, "x": 1},
            },
        )
    before = metrics(settings)
    Client().get("/health")
    after = metrics(settings)
    asked = ("almanac_requests_total", (("method", "GET"), ("status", "200")))
    assert after[asked] - before[asked] == 2  # health, and the first look at the metrics
    assert after["almanac_jobs", (("kind", "roll_forward"), ("state", "waiting"))] == 1
    assert after["almanac_jobs_lost", ()] == 1
    assert after["almanac_job_oldest_waiting_seconds", ()] == pytest.approx(1800, abs=60)
    assert after["almanac_fit_k_hat_worst", ()] == 0.31
    assert after["almanac_fit_k_hat_above_0_7", ()] == 0
    assert after["almanac_fit_effective_draws_least", ()] == 812
    assert after["almanac_fit_seconds_slowest", ()] == 4


def test_no_name_and_no_address_is_in_the_metrics(cast: Cast, settings: Any) -> None:
    cast.client(cast.owner).get(f"/heaters/{cast.heater.pk}/")
    metrics(settings)
    page = Client().get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).content.decode()
    for word in ("Alder", "@", "H-1", f"/{cast.heater.pk}/"):
        assert word not in page


def test_every_metric_an_alert_stands_on_is_told(db: None, settings: Any) -> None:
    told = {name for name, _ in metrics(settings)}
    page = Client().get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).content.decode()
    declared = set(re.findall(r"^# TYPE (\w+)", page, re.MULTILINE))
    rules = [rule for group in yaml.safe_load(RULES.read_text())["groups"] for rule in group["rules"]]
    assert len(rules) >= 8
    for rule in rules:
        names = set(re.findall(r"\balmanac_\w+", rule["expr"]))
        assert names <= told | declared, rule["alert"]
        assert rule["labels"]["severity"] in ("page", "ticket")
        assert rule["annotations"]["summary"]

"""A metric reader is asked and told in her units; the record keeps one unit, whoever enters, on the page or a phone."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as some

from fleet.care import asking, labels, services, visits
from fleet.care.kinds import FindingField, task_kinds
from fleet.care.models import Finding, Task, UnsafeFinding
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.pages import reading
from fleet.pages.models import ReadingHabit
from tests.conftest import Cast, make_heater

METRIC = reading.Habit(metric=True)
NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)
CONVERTED = [
    field
    for kind in task_kinds().values()
    for field in kind.findings
    if field.type == "number" and field.unit in reading.METRIC
]


@given(some.sampled_from(sorted(reading.METRIC)), some.floats(-1000, 1_000_000))
def test_what_is_typed_in_metric_is_read_back_as_typed(unit: str, typed: float) -> None:
    there = reading.METRIC[unit]
    typed = round(typed, there.digits + 1)
    field = FindingField("seen", "Seen", "number", unit)
    with reading.reading_as(METRIC):
        kept = asking.in_record_units([field], {"seen": f"{typed:.10f}"}, metric=True)
        said = asking.said(field, float(kept["seen"]))
    assert float(said.split()[0]) == pytest.approx(typed, rel=1e-5, abs=1e-9)
    assert said.endswith(there.unit)


@pytest.mark.parametrize("field", CONVERTED, ids=lambda field: f"{field.name} {field.unit}")
def test_whatever_the_page_calls_usual_is_not_asked_again(field: FindingField) -> None:
    with reading.reading_as(METRIC):
        shown = asking.asked(field)
    for name in ("usual_low", "usual_high"):
        kept = float(
            asking.in_record_units([field], {field.name: f"{getattr(shown, name):g}"}, True)[field.name]
        )
        assert not field.is_unusual(kept, asking.blur(field)), name
    assert shown.unit == reading.METRIC[field.unit].unit
    assert (shown.unsafe_above is None) == (field.unsafe_above is None)


@pytest.mark.parametrize(
    ("unit", "typed", "kept"),
    [
        # Factors: NIST Special Publication 811 (2008), appendix B.8.
        ("gal", "100", 26.4172052),
        ("\u00b0F", "60", 140.0),
        ("psi", "1000", 145.0377),
        ("in wc", "10", 0.0401463),
        ("cu ft", "10", 353.146667),
        ("\u00b0F", "60,5", 140.9),
    ],
)
def test_the_record_keeps_its_own_unit(unit: str, typed: str, kept: float) -> None:
    field = FindingField("seen", "Seen", "number", unit)
    found = asking.in_record_units([field], {"seen": typed}, metric=True)["seen"]
    assert float(found) == pytest.approx(kept, rel=1e-6)


@pytest.mark.parametrize("words", ["about 60", "1,000", "", "--"])
def test_what_is_no_plain_number_is_left_to_be_refused(words: str) -> None:
    field = FindingField("seen", "Seen", "number", "gal")
    assert asking.in_record_units([field], {"seen": words}, metric=True) == {"seen": words}


@pytest.fixture
def metric_crew(cast: Cast, time_machine: Any) -> Cast:
    time_machine.move_to(NOON, tick=False)
    ReadingHabit.objects.create(person=cast.technician, units="metric")
    with scoped(scope_of_organisation(cast.house)):
        made = date(2024, 1, 10)
        heater = make_heater(cast.house, tag="Y-1", installed_earliest=made, installed_latest=made)
        services.roll_forward(cast.house, date(2024, 2, 1))
        services.roll_forward(cast.house)
        labels.label_heaters([heater])
        visits.visit_on(cast.building, date(2026, 6, 1), horizon_days=400)
    return cast


def task_of(cast: Cast, kind: str) -> Task:
    with scoped(scope_of_organisation(cast.house)):
        return Task.objects.get(heater__tag="Y-1", kind=kind, state="open")


def found_of(task: Task, name: str) -> float:
    with unscoped("reading what was kept"):
        number: float = Finding.objects.filter(task=task, name=name).order_by("id")[0].number
        return number


FLUSHED = {"colour": "clear", "drain_valve": "closes tight", "tank_body": "dry"}


def test_a_page_asks_in_litres_and_the_record_keeps_gallons(metric_crew: Cast) -> None:
    client, task = metric_crew.client(metric_crew.technician), task_of(metric_crew, "flush")
    address = reverse("care:task", args=[task.pk])
    page = client.get(address).content.decode()
    assert "Water drained, L" in page
    assert "Usual: 8 to 454 L" in page
    odd = client.post(address, FLUSHED | {"units": "metric", "drained_gal": "600"}).content.decode()
    assert "600 L? Usual is 8 to 454 L" in odd
    assert 'value="600"' in odd
    client.post(address, FLUSHED | {"units": "metric", "drained_gal": "38"})
    assert found_of(task, "drained_gal") == pytest.approx(38 / 3.785411784, rel=1e-6)
    with unscoped("the next of its kind"):
        after = Task.objects.get(heater__tag="Y-1", kind="flush", state="open")
    seen = client.get(reverse("care:task", args=[after.pk])).content.decode()
    assert "<strong>38 L</strong>" in seen
    assert (
        "<strong>10.0385 gal</strong>"
        in metric_crew.client(metric_crew.planner).get(reverse("care:task", args=[after.pk])).content.decode()
    )


def test_a_phone_is_given_litres_and_its_answers_become_gallons(metric_crew: Cast) -> None:
    client, task = metric_crew.client(metric_crew.technician), task_of(metric_crew, "flush")
    day = client.get(reverse("care:phone_day")).json()
    drained = next(field for field in day["kinds"]["flush"]["fields"] if field["name"] == "drained_gal")
    assert day["metric"] is True
    assert (drained["unit"], drained["usual_low"], drained["usual_high"]) == ("L", 8, 454)
    entry = {"key": str(uuid.uuid4()), "kind": "done", "task": task.pk, "metric": True, "sure": False}
    sent = {"entries": [entry | {"answers": FLUSHED | {"drained_gal": "38"}}]}
    reply = client.post(reverse("care:phone_sync"), json.dumps(sent), content_type="application/json").json()
    assert [row["result"] for row in reply["results"]] == ["kept"]
    assert found_of(task, "drained_gal") == pytest.approx(38 / 3.785411784, rel=1e-6)


def test_what_is_unsafe_is_decided_in_the_records_unit_and_told_with_it(metric_crew: Cast) -> None:
    task = task_of(metric_crew, "static_pressure")
    client = metric_crew.client(metric_crew.technician)
    answers = {field.name: field.choices[0] for field in task.task_kind.findings if field.type == "choice"}
    numbers = {field.name: "400" for field in task.task_kind.findings if field.type == "number"}
    limited = next(field for field in task.task_kind.findings if field.unsafe_above == 150)
    sent = answers | numbers | {limited.name: "1035", "units": "metric", "sure": "1"}
    page = client.post(reverse("care:task", args=[task.pk]), sent, follow=True).content.decode()
    assert "1,035 kPa" in page
    with unscoped("reading the alert"):
        what = UnsafeFinding.objects.get().what
    assert what == f"{limited.label}: {1035 / 6.894757:g} psi"

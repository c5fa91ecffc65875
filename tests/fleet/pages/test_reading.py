"""Units, days, colours and keys as each reader has chosen; the record itself stays as it is."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as some

from fleet.estate.scope import unscoped
from fleet.heaters.dates import UNKNOWN, ImpreciseDate
from fleet.heaters.models import WaterTest
from fleet.pages import reading, words
from fleet.pages.forms import ImpreciseDateField, as_asked
from fleet.pages.models import ReadingHabit
from tests.conftest import Cast

METRIC = reading.Habit(metric=True)


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        # Exact factors of NIST Special Publication 811 (2008), appendix B.8; rounded as the page rounds.
        (50.0, "gal", "189 L"),
        (140.0, "°F", "60 °C"),
        (150.0, "psi", "1,034 kPa"),
        (60.0, "in", "152 cm"),
        (40_000.0, "Btu/h", "11.7 kW"),
        (212.0, "mg/L", "212 mg/L"),
        (32.0, "°F", "0 °C"),
    ],
)
def test_a_metric_reader_sees_metric_measures(value: float, unit: str, shown: str) -> None:
    with reading.reading_as(METRIC):
        assert words.a_number(value, unit) == shown


@pytest.mark.parametrize(
    ("sentence", "read"),
    [
        ("set to 140 °F, hotter than usual", "set to 60 °C, hotter than usual"),
        ("lower the set point by 10 °F", "lower the set point by 6 °C"),
        ("water pressure 95 psi, higher than usual", "water pressure 655 kPa, higher than usual"),
        ("drain 1,000 gal in 2 hours", "drain 3,785 L in 2 hours"),
        ("between 40 and 80 psi", "between 276 and 552 kPa"),
        ("heat pump, 40 to under 55 gal", "heat pump, 151 to under 208 L"),
        ("in 2 in the morning", "in 2 in the morning"),
        ("flush every 12 months", "flush every 12 months"),
        ("tag H-50 gal", "tag H-50 gal"),
    ],
)
def test_sentences_are_read_in_metric_measures(sentence: str, read: str) -> None:
    with reading.reading_as(METRIC):
        assert reading.in_my_units(sentence) == read
    assert reading.in_my_units(sentence) == sentence


@pytest.mark.parametrize(
    ("sentence", "read"),
    [
        ("12 heaters in service on 2024-03-05, of them 3", "12 heaters in service on 5 Mar 2024, of them 3"),
        ("answer by 2026-12-01.", "answer by 1 Dec 2026."),
        ("2026-01-01 to 2026-12-31", "1 Jan 2026 to 31 Dec 2026"),
        ("serial number 2024-13-05 or A-2024-01-01-7", "serial number 2024-13-05 or A-2024-01-01-7"),
    ],
)
def test_days_in_kept_sentences_are_read_as_the_reader_writes_them(sentence: str, read: str) -> None:
    assert reading.in_my_days(sentence) == read
    with reading.reading_as(reading.Habit(days="iso")):
        assert reading.in_my_days(sentence) == sentence


@given(some.text(alphabet="0123456789.,- galpsiF°in/", max_size=60))
def test_no_text_breaks_the_reading(text: str) -> None:
    with reading.reading_as(METRIC):
        reading.in_my_units(text)


@given(some.dates(min_value=date(1900, 1, 1)))
def test_days_in_iso_habit_are_iso_days(day: date) -> None:
    with reading.reading_as(reading.Habit(days="iso")):
        assert date.fromisoformat(words.a_day(day)) == day


@given(
    some.sampled_from(ReadingHabit.Days.values),
    some.dates(min_value=date(1900, 1, 1), max_value=date(2030, 1, 1)),
    some.integers(min_value=1, max_value=4000),
)
def test_a_date_in_a_form_is_written_as_its_reader_writes_days_and_read_back_the_same(
    style: str, first: date, span: int
) -> None:
    field = ImpreciseDateField()
    field.as_of = date(2045, 1, 1)
    known = (
        ImpreciseDate.day(first),
        ImpreciseDate.month(first.year, first.month),
        ImpreciseDate.year(first.year),
        ImpreciseDate.between(first, first + timedelta(days=span)),
        UNKNOWN,
    )
    with reading.reading_as(reading.Habit(days=style)):
        assert as_asked(known[0]) == words.a_day(first)
        assert [field.clean(as_asked(one)) for one in known] == list(known)


def test_the_choice_is_kept_and_shows_on_the_pages(cast: Cast) -> None:
    client = cast.client(cast.owner)
    address = reverse("pages:heater", args=[cast.heater.pk])
    assert "50 gal" in client.get(address).content.decode()
    client.post(
        reverse("pages:reading_habits"),
        {"units": "metric", "days": "iso", "colours": "dark", "strong_contrast": "on"},
    )
    page = client.get(address).content.decode()
    assert "189 L" in page
    assert "50 gal" not in page
    assert "2016-05-03" in page
    assert 'data-colours="dark"' in page
    assert "keys.js" not in page
    cast.heater.refresh_from_db()
    assert cast.heater.capacity_gal == 50
    assert "50 gal" in cast.client(cast.planner).get(address).content.decode()


def test_an_unknown_choice_is_refused_in_words(cast: Cast) -> None:
    page = (
        cast.client(cast.owner).post(reverse("pages:reading_habits"), {"units": "furlongs"}).content.decode()
    )
    assert "furlongs is not one of the available choices" in page


def _sent(page: str) -> dict[str, str]:
    sent = dict(re.findall(r'<input type="(?:text|number|hidden)" name="(\w+)" value="([^"]*)"', page))
    for name, inside in re.findall(r'<select name="(\w+)"[^>]*>(.*?)</select>', page, re.S):
        chosen = re.search(r'<option value="([^"]*)" selected', inside)
        sent[name] = chosen[1] if chosen else ""
    return sent


def test_a_form_asks_in_metric_and_what_was_not_touched_stays_to_the_last_digit(cast: Cast) -> None:
    ReadingHabit.objects.create(person=cast.technician, units="metric")
    client = cast.client(cast.technician)
    address = reverse("pages:edit_heater", args=[cast.heater.pk])
    page = client.get(address).content.decode()
    assert "Capacity (L)" in page
    assert "Set point (\u00b0C)" in page
    sent = _sent(page)
    assert sent["capacity_gal"] == "189"
    assert client.post(address, sent).status_code == 302
    cast.heater.refresh_from_db()
    assert (cast.heater.capacity_gal, cast.heater.version) == (50, 1)
    client.post(address, sent | {"capacity_gal": "200", "setpoint_f": "60", "relief_valve_psi": "10 bar"})
    cast.heater.refresh_from_db()
    kept = (cast.heater.capacity_gal, cast.heater.setpoint_f, cast.heater.relief_valve_psi)
    assert kept == pytest.approx((200 / 3.785411784, 140, 145.0377), rel=1e-5)
    refused = client.post(address, sent | {"version": "2", "capacity_gal": "99999"}).content.decode()
    assert "0 to 37,854 L" in refused
    assert 'value="99999"' in refused


def test_a_form_sent_after_the_habit_changed_means_what_it_showed(cast: Cast) -> None:
    client = cast.client(cast.technician)
    address = reverse("pages:edit_heater", args=[cast.heater.pk])
    sent = _sent(client.get(address).content.decode())
    ReadingHabit.objects.create(person=cast.technician, units="metric")
    client.post(address, sent | {"capacity_gal": "60"})
    cast.heater.refresh_from_db()
    assert cast.heater.capacity_gal == 60


def test_a_water_test_is_asked_in_fahrenheit_of_who_reads_it_so_and_takes_grains(cast: Cast) -> None:
    client = cast.client(cast.planner)
    address = reverse("pages:add_water_test", args=[cast.property.pk])
    page = client.get(address).content.decode()
    assert "Temperature (\u00b0F)" in page
    sent = {"tested": "2024-05-01", "treatment": "raw", "hardness_mg_l": "12 gpg", "temperature_c": "59"}
    client.post(address, _sent(page) | sent)
    with unscoped("reading the test"):
        row = WaterTest.objects.get()
    # A grain: 64.79891 mg (NIST SP 811, B.8) in 3.785411784 L; the reader rounds it to 17.118 mg/L.
    assert row.hardness_mg_l == pytest.approx(12 * 64.79891 / 3.785411784, rel=1e-4)
    assert row.temperature_c == pytest.approx(15)

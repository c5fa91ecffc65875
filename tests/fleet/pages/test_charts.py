"""The pictures: the same rows give the same bytes, and the drawing holds the numbers it was given."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from fleet.pages import charts, curves

AGES = [
    {"band": band, "order": order, "side": side, "count": count}
    for order, (band, counts) in enumerate([("0 to 2", (3, 4)), ("3 to 5", (0, 17)), ("12 to 14", (22, 1))])
    for side, count in zip(("gas", "electric and other"), counts, strict=True)
]
YEARS = [
    {"period": f"FY{2027 + n}", "expected": 1e4 * n, "p10": 5e3 * n, "p90": 2e4 * n} for n in range(1, 11)
]
CURVE = [{"years": year, "failed": year / 12} for year in range(11)]
QUEUE = [
    {"building": "House <A> & B", "order": 0, "when": when, "count": n}
    for n, when in enumerate(("due", "overdue"), 1)
]
BAND = [{**row, "p10": row["failed"] / 2, "p90": row["failed"]} for row in CURVE]
SEEN = [{"age": age, "survival": 1 - age / 40, "low": 0.5, "high": 1.0} for age in range(3, 20)]
MODEL = [{"age": age, "survival": 1 - age / 30, "p10": 0.4, "p90": 0.9} for age in range(3, 20)]
LIVES = [{"age": age, "working": 1 - age / 20, "p10": 0.9 - age / 20, "p90": 1.0} for age in range(18)]
OWN = [
    {"age": 8.5 + year, "working": 1 - year / 12, "p10": 0.9 - year / 12, "p90": 1.0} for year in (0, 1, 3)
]
SEEN_FAILURES = [
    {"name": f"{year}", "observed": 3, "expected": 4.5, "low": 3.2, "high": 5.9} for year in range(2020, 2026)
]
SPECS = {
    "outlook with its band": curves.outlook_curve(BAND),
    "survival": curves.survival_against_model(SEEN, MODEL, "heat pump", narrow=True),
    "a heater on the curve of its kind": curves.heater_survival(LIVES, OWN, 8.5, 0.5, "heat pump"),
    "failures": charts.failures_against_expected(SEEN_FAILURES, "calendar year"),
    "ages": charts.age_pyramid(AGES),
    "ages on a phone": charts.age_pyramid(AGES, narrow=True),
    "money": charts.money_per_year(YEARS, "EUR"),
    "outlook": curves.outlook_curve(CURVE),
    "queue": charts.building_queue(QUEUE),
}


@pytest.mark.parametrize("name", SPECS)
def test_a_drawing_is_the_same_each_time_and_is_sound_xml_with_a_title(name: str) -> None:
    first = charts.svg(SPECS[name])
    charts._drawn.cache_clear()
    assert charts.svg(SPECS[name]) == first
    root = ElementTree.fromstring(first)
    assert root[0].tag.endswith("title")
    assert root[0].text == SPECS[name]["description"]
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", first), "nothing is fetched from elsewhere"


def shown(spec: charts.Spec) -> list[str]:
    return [text for element in ElementTree.fromstring(charts.svg(spec)).iter() if (text := element.text)]


def test_the_pyramid_writes_each_count_and_keeps_the_youngest_lowest() -> None:
    texts = shown(SPECS["ages"])
    for number in ("3", "4", "17", "22", "1"):
        assert number in texts
    bands = [text for text in texts if " to " in text and text[0].isdigit()]
    assert bands == ["12 to 14", "3 to 5", "0 to 2"]


def test_the_axis_of_the_pyramid_shows_no_negative_heaters() -> None:
    assert not [text for text in shown(SPECS["ages"]) if text.startswith(("-", "\u2212"))]


def test_money_names_its_currency_and_every_year() -> None:
    texts = shown(SPECS["money"])
    assert "Cost a year, EUR" in texts
    assert [text for text in texts if text.startswith("FY")] == [row["period"] for row in YEARS]


def test_a_phone_gets_a_narrower_drawing() -> None:
    def width(name: str) -> int:
        return int(ElementTree.fromstring(charts.svg(SPECS[name])).attrib["width"])

    assert width("ages on a phone") < 400 < width("ages")

"""What a picture shows, in one sentence: its title. Each is read off the rows that the picture is drawn from."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from fleet.pages import forecasts, words


def of_years(years: Sequence[Any], currency: str) -> str:
    if not years:
        return ""
    dearest = max(years, key=lambda year: year.expected)
    if not dearest.p90:
        return (
            f"{dearest.period} costs most: {words.money(dearest.expected, currency)} expected, though in nine of ten "
            "futures nothing falls due"
        )
    return (
        f"{dearest.period} costs most: {words.money(dearest.expected, currency)} expected, in eight of ten futures "
        f"between {words.money(dearest.p10, currency)} and {words.money(dearest.p90, currency)}"
    )


def of_ages(ages: Any) -> str:
    if ages.median_years is None:
        return "The age of no heater is known"
    return f"Half of the heaters are older than {ages.median_years:.1f} years"


def of_queue(due: Any) -> str:
    first = due.buildings[0]
    if not first.overdue:
        return f"Nothing is overdue; most is due at {first.name}: {first.due:,}"
    return f"Most overdue work stands at {first.name}: {first.overdue:,} of {due.overdue:,} tasks"


def of_outlook(points: Sequence[tuple[str, str, str]]) -> str:
    """Points as the heater's table has them: years from now, chance, its interval. The first that is past one half."""
    likely = [point for point in points if (found := re.search(r"\d+", point[1])) and int(found[0]) >= 50]
    when, chance, interval = (likely or points[-1:])[0]
    years = f"{when} year" if when == "1" else f"{when} years"
    return f"Within {years} it fails with a chance of {chance}" + (f" ({interval})" if interval else "")


def of_place(found: Any) -> str:
    """A heater's place on the curve of its kind."""
    age = f"{'' if found.age_known else 'assumed '}age, {found.age:.1f} years"
    return (
        f"{words.percent(found.reached)} of its kind still work at its {age}; it has an even chance of another "
        f"{found.half_gone_after:.1f} years"
    )


def of_life(life: Any) -> str:
    return f"{life.served}; {life.cared_for}"


def of_survival(observed: Sequence[Any], model: Sequence[Any]) -> str:
    """Compared where the record falls to one half, or at the last age that both curves reach."""
    shared = min(observed[-1]["age"], model[-1]["age"])
    within = [row for row in observed if row["age"] <= shared]
    seen = next((row for row in within if row["survival"] <= 0.5), within[-1])
    said = min(model, key=lambda row: abs(row["age"] - seen["age"]))
    return (
        f"At {seen['age']:.0f} years {words.percent(seen['survival'])} still work on record, "
        f"{words.percent(said['survival'])} in the model"
    )


def of_failures(rows: Sequence[Any]) -> str:
    seen, expected = sum(row["observed"] for row in rows), sum(row["expected"] for row in rows)
    off = sum(bool(row.get("off")) for row in rows)
    rest = "all rows in keeping" if not off else f"{off} of {len(rows)} rows off"
    return f"{seen:,.0f} failures on record where the model expects {expected:,.0f}; {rest}"


def of_run(run: Any, currency: str) -> str:
    return of_years(forecasts.years(run), currency)


def of_so_far(run: Any, currency: str) -> str:
    rows = forecasts.so_far(run)
    if not rows:
        return ""
    last = rows[-1]
    return (
        f"By the end of {last['period']} {words.money(last['expected'], currency)} will have been spent, expected; in "
        f"eight of ten futures between {words.money(last['p10'], currency)} and {words.money(last['p90'], currency)}"
    )


def of_two_ways(first: Any, second: Any, currency: str) -> str:
    one, other = (f"{way['words']}: {words.money(way['cost'], currency)}" for way in (first, second))
    return f"Expected cost of all years. {one}; {other}"


def of_ways(ways: Sequence[Any], currency: str) -> str:
    cheapest = min(ways, key=lambda way: float(way["cost"]))
    return (
        f"{cheapest['words']} costs least over all years: {words.money(cheapest['cost'], currency)} expected"
    )


def of_cap(years: Sequence[Any], currency: str) -> str:
    """Rows as the plan's table has them: the sixth figure is set aside, the eighth the cap."""
    aside, cap = (sum(float(year[place]) for year in years) for place in (5, 7))
    return f"{words.money(aside, currency)} of the {words.money(cap, currency)} under the caps is set aside"


def of_contract(standing: Any, currency: str) -> str:
    return (
        f"It has cost {words.money(standing.cost, currency)} so far; {words.money(standing.priced_mean, currency)} "
        "was priced for this time"
    )


def of_quote(quote: Any, currency: str) -> str:
    """The quote as an offer keeps it."""
    return (
        f"It brings {words.money(quote['revenue'], currency)} and costs "
        f"{words.money(quote['expected_cost'], currency)}, expected; chance of a loss "
        f"{words.chance(float(quote['chance_of_loss']))}"
    )

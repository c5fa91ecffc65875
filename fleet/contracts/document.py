"""The offer as the client reads it: the same plain content for the page and for the PDF. No costs of the company."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from fleet.care.kinds import task_kinds
from fleet.contracts.models import Offer, SurveyLine
from fleet.pages.words import a_day, how_many

Verdict = SurveyLine.Verdict
LAYOUT = Path(__file__).resolve().parent / "offer.typ"
CAUTIONS = (
    "Water heaters can scald, gas, shock, flood and poison. Work on gas, electricity and pressure is done by licensed "
    "people under the local code and the maker's instructions, which go before anything written here.",
    "A smell of gas, a carbon monoxide alarm or a leaking tank is an emergency: leave, keep others out, call for help "
    "from a safe place, and then call us.",
    "Care lowers the chance of a failure; it does not take it away.",
)
LEVEL_WORDS = {
    Offer.Level.CARE: "The planned care named below. Repairs and replacements are charged as they come.",
    Offer.Level.REPAIRS: (
        "The planned care named below, calls and repairs of the heaters taken on. "
        "A heater beyond repair is made safe; its replacement is charged."
    ),
    Offer.Level.REPLACEMENT: (
        "The planned care named below, calls, repairs, and the like-for-like replacement of heaters beyond repair "
        "where it is not excluded, up to the yearly limit."
    ),
}

# The same scope where the company set no limit: a client must not read of one that stands nowhere.
WITHOUT_LIMIT = "care, repairs and replacement without a yearly limit"
WITHOUT_LIMIT_WORDS = (
    "The planned care named below, calls, repairs, and the like-for-like replacement of heaters beyond repair "
    "where it is not excluded, however many they are."
)


def _scope(offer: Offer) -> tuple[str, str]:
    if offer.level == Offer.Level.REPLACEMENT and offer.limit_a_year is None:
        return WITHOUT_LIMIT, WITHOUT_LIMIT_WORDS
    level = Offer.Level(offer.level)
    return str(level.label), LEVEL_WORDS[level]


def content_of(offer: Offer) -> dict[str, Any]:
    """Everything the client is told, as plain values: kept with the received offer and never made anew."""
    kinds = task_kinds()
    lines = list(offer.survey.lines.order_by("place", "id").select_related("heater"))
    growth = float(offer.price_growth)
    currency = offer.book.currency
    ends = ends_on(offer)
    scope, scope_words = _scope(offer)
    return {
        "company": offer.organisation.name,
        "client": offer.client.name,
        "invented": offer.organisation.invented,
        "number": offer.number,
        "version": offer.version,
        "issued": a_day(offer.issued_at.date()) if offer.issued_at else "draft",
        "valid_until": a_day(offer.valid_until),
        "starts": a_day(offer.starts_on),
        "ends": a_day(ends),
        "years": offer.years,
        "scope": scope,
        "scope_words": scope_words,
        "response": str(Offer.Response(offer.response).label) if offer.level != Offer.Level.CARE else "",
        "limit": ""
        if offer.limit_a_year is None
        else f"{currency} {offer.limit_a_year:,.2f} a contract year",
        "care": [
            {
                "name": kinds[code].name,
                "every": f"every {months} months",
                "source": kinds[code].interval_source,
            }
            for code, months in offer.care.items()
            if code in kinds
        ],
        "prices": [
            {"year": year + 1, "price": f"{currency} {float(offer.price) * (1 + growth) ** year:,.2f}"}
            for year in range(offer.years)
        ],
        "growth": f"{100 * growth:.1f} % a year",
        "reasons": _reasons(offer),
        "exclusions": offer.exclusions,
        "taken": [_line(line) for line in lines if line.verdict == Verdict.TAKEN],
        "limited": [_line(line) for line in lines if line.verdict == Verdict.LIMITED],
        "refused": [_line(line) for line in lines if line.verdict == Verdict.REFUSED],
        "cautions": list(CAUTIONS),
        "changes": (
            "A heater that leaves lowers the price by its part. A heater that is added or replaced changes it by what a "
            "heater of its kind and age costs under this offer. Each change is written down with its day and told."
        ),
    }


def _line(line: SurveyLine) -> dict[str, Any]:
    return {"tag": line.heater.tag, "place": line.place, "reasons": list(line.reasons)}


def _reasons(offer: Offer) -> list[str]:
    """Why this price, as far as it is the client's business: the heaters, their age, their water, what is promised."""
    figures = offer.priced
    expected, lines = figures["expected"], figures["enrolled"]
    words = [f"Taken on: {how_many(lines, 'heater')}, {figures['limited']} of them without replacement."]
    words.append(
        f"Planned: about {expected['care_hours']:.0f} hours of care in {expected['care_trips']:.0f} trips over the term."
    )
    if offer.level != Offer.Level.CARE:
        words.append(
            f"Expected over the term: about {expected['repairs']:.0f} repairs and {expected['failures']:.0f} failures "
            "beyond repair. There may be more or fewer: that risk is ours."
        )
        water = figures["water"]["failures"]
        if abs(water) >= 0.5:
            way = "more" if water > 0 else "fewer"
            words.append(
                f"Your water brings about {abs(water):.1f} failures {way} than water of 120 mg/L hardness would."
            )
    return words


def ends_on(offer: Offer) -> Any:
    from datetime import timedelta

    start = offer.starts_on
    try:
        after = start.replace(year=start.year + offer.years)
    except ValueError:  # 29 February
        after = start.replace(year=start.year + offer.years, month=3, day=1)
    return after - timedelta(days=1)


def pdf(content: dict[str, Any]) -> bytes:
    """Set by the layout beside this module, from the content alone and without a network."""
    import typst

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "offer.typ").write_text(LAYOUT.read_text(encoding="utf-8"), encoding="utf-8")
        (place / "content.json").write_text(json.dumps(content), encoding="utf-8")
        made = typst.compile(str(place / "offer.typ"), root=str(place), format="pdf", package_path=str(place))
    assert isinstance(made, bytes)
    return made

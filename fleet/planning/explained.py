"""How sure a plan is and what it stands on, in sentences for a person."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from fleet.estate.models import HistoryEntry
from fleet.pages import words as words_of
from fleet.pages.words import how_many
from fleet.planning.models import CostBook, ForecastRun
from fleet.planning.price_items import ITEM_OF
from fleet.planning.prices import kind_words

SOUND_K_HAT = 0.7  # above it importance weights are not to be trusted (Vehtari et al., Pareto smoothed)


def how_sure(run: ForecastRun) -> list[str]:
    """What the record and the published tables each contribute, and what is only assumed."""
    found: dict[str, Any] = run.diagnostics or {}
    return [
        *_record_words(found, (run.assumptions or {}).get("watching", {}).get("endings", 0)),
        *watching_words(run),
        *_spread_words(run),
        *_input_words(found),
        *_fit_words(found),
    ]


def watching_words(run: ForecastRun) -> list[str]:
    """Where nobody has said since when endings are on record, and that nothing is learnt there until somebody does."""
    found = (run.assumptions or {}).get("watching", {})
    unsaid, endings, total = (found.get(name, 0) for name in ("unsaid", "endings", "properties"))
    if not unsaid:
        return []
    heard = "how long heaters have lasted there" + (
        f", and {how_many(endings, 'ending')} on record, teach" if endings else " teaches"
    )
    return [
        f"At {unsaid} of {total} {'property' if total == 1 else 'properties'} it is not on record since when every ending "
        f"was written down. Until it is, {heard} this forecast nothing: enter the day under Properties, there for all of "
        "them at once too."
    ]


def _spread_words(run: ForecastRun) -> list[str]:
    spread = run.in_brief.get("spread")
    if not spread or not any(spread.values()):
        return []
    return [
        "Where the spread of the total comes from: "
        f"{_share(spread['parameters'])} lifetimes not known better (longer records narrow it), "
        f"{_share(spread['chance'])} chance (stays, but averages out over many heaters), "
        f"{_share(spread['prices'])} the growth of prices."
    ]


def _share(value: float) -> str:
    return f"{value * 100:.0f} %"


def _record_words(found: dict[str, Any], unheard: int = 0) -> list[str]:
    events = found.get("events_total", 0)
    if not events:
        words = [
            f"{'No failure on record is heard yet' if unheard else 'The record holds no failure yet'}: the plan rests on "
            "published lifetimes, which disagree by more than a factor of two, so its spread is wide."
        ]
    else:
        words = [f"The record holds {events} failures; they pull the published lifetimes towards this fleet."]
    weights = found.get("prior_weight", {})
    leaning = [
        kind_words(kind) for kind, weight in sorted(weights.items()) if weight is not None and weight > 0.8
    ]
    if leaning and events:
        words.append(
            f"Little is known here yet of {', '.join(leaning)}: mostly published lifetimes speak for them."
        )
    return words


def _input_words(found: dict[str, Any]) -> list[str]:
    inputs = found.get("inputs_known", {})
    total = inputs.get("heaters", 0)
    names = {
        "age": "year of installation",
        "hardness": "water test",
        "setpoint": "set point",
        "anode_spent": "anode state",
    }
    lacking = [
        f"{total - known} lack a known {names[name]}"
        for name, known in inputs.get("known", {}).items()
        if name in names and known < total
    ]
    return (
        [f"Of {total} heaters in service {', '.join(lacking)}: assumed values widen their range."]
        if lacking
        else []
    )


def _fit_words(found: dict[str, Any]) -> list[str]:
    words = [] if found.get("converged", True) else ["The fit did not settle: read this plan with care."]
    k_hat = found.get("k_hat")
    if found.get("method") == "importance" and k_hat is not None and k_hat > SOUND_K_HAT:
        words.append(f"The draws are uneven (Pareto k {k_hat:.2f}, sound below {SOUND_K_HAT}).")
    return words + [str(message) for message in found.get("messages", [])]


def _a_day(stored: str | None) -> str:
    return words_of.a_day(date.fromisoformat(stored)) if stored else words_of.NOT_KNOWN


def assumptions(run: ForecastRun) -> list[str]:
    """Prices, policy and method, each with where it came from."""
    made: dict[str, Any] = run.assumptions or {}
    words = [
        "Lifetimes: published tables, each row with its source, and this fleet's own record.",
        f"Policy: {made.get('policy', '')}. Successor: {made.get('successor', '')}.",
        f"Care: {made.get('care', '')}.",
        f"Prices: cost book of {_a_day(made.get('prices_of'))}, in {made.get('currency', '')}; {_price_words(made)}.",
        f"Prices grow by {_percent(made.get('growth_mean'))} a year, give or take {_percent(made.get('growth_sd'))} "
        f"({made.get('growth_status', '')}); money is that of each year, not discounted.",
    ]
    words += made_of_words(made.get("made_of", []), str(made.get("currency", "")))
    if made.get("size_assumed"):
        words.append(
            f"{made['size_assumed']} heaters of unknown size are priced as the middle size of their kind."
        )
    return words


def _price_words(made: dict[str, Any]) -> str:
    counts = made.get("status_counts", {})
    parts = [f"{count} heaters at {status} prices" for status, count in sorted(counts.items())]
    words = ", ".join(parts) or "no prices used"
    return f"{words}. Illustrations are not offers: enter your own" if "illustration" in counts else words


def _percent(value: Any) -> str:
    return "?" if value is None else f"{float(value) * 100:.1f} %"


def made_of_words(rows: list[dict[str, Any]], currency: str) -> list[str]:
    """Beside the heaters themselves: what all prices together hold, and what of it is only assumed."""
    words = []
    for row in rows:
        if not Decimal(row["amount"]):
            continue
        name = "Damage expected if all failed" if row["item"] == "damage" else ITEM_OF[row["item"]].words
        unknown = (
            f", {row['not_known']} not on record and counted by an assumed share" if row["not_known"] else ""
        )
        words.append(
            f"{name}: {currency} {Decimal(row['amount']):,.2f} for all heaters in service, "
            f"due at {row['due']}{unknown} ({row['status'] or 'no price'})."
        )
    return words


PRICE_ROWS = ("costline", "costitem", "costbook")
RECORD_ROWS = ("heater", "servicerecord", "watertest", "importbatch", "building", "position")


def out_of_date(run: ForecastRun, today: date) -> list[str]:
    """Why the plan may no longer be what today's record would give; nothing when it is up to date."""
    later = HistoryEntry.objects.filter(organisation_id=run.organisation_id, at__gt=run.created_at)
    words = []
    if later.filter(subject_kind__in=RECORD_ROWS).exists():
        words.append("The record has changed since this forecast was made.")
    books = CostBook.objects.filter(organisation_id=run.organisation_id)
    newer = run.cost_book is not None and books.filter(valid_from__gt=run.cost_book.valid_from).exists()
    if newer or later.filter(subject_kind__in=PRICE_ROWS).exists():
        words.append("Prices have changed since this forecast was made.")
    if (today - run.as_of).days > 92:
        words.append(f"The forecast speaks from {run.as_of}, more than three months ago.")
    return words

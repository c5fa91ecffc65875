"""What the record lacks, and what it costs not to know: ranked by how much knowing would narrow the plan.

Two answers: `quick_look` in a moment, ranked by counts and the published or judged size of each effect; and
`full_look`, which runs the forecast with every answer a missing value may turn out to have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from django.db.models import Count, Q

from fleet.estate.models import Organisation, Property
from fleet.heaters.models import Heater

if TYPE_CHECKING:
    import pandas as pd

    from forecasting.episodes import Records
    from forecasting.posterior import Posterior

Progress = Callable[[float, str], None]
HORIZON_YEARS = 10
DRAWS = 400
SEED = 1

# input: (what is missing, how to find it out)
WORDS = {
    "age": ("install date unknown or vague", "read the date or serial number on the rating plate"),
    "year_built": (
        "year built of the building unknown",
        "ask the owner or the assessor; where it is 40 years or more, the ages of the heaters found there are evidence",
    ),
    "water_test": ("no test of the raw water", "test the hardness at a cold tap, one test a building"),
    "setpoint": ("no set point", "read the thermostat, or measure at the nearest tap"),
    "anode_state": ("anode not looked at for two years", "inspect the anode at the next visit"),
    "flush_record": ("no flush on record", "ask the crew, or flush and write the day down"),
    "static_pressure": ("no static water pressure", "hold a gauge to a hose tap, one a building is a start"),
    "expansion_control": (
        "closed system or expansion tank unknown",
        "look for a check valve and an expansion tank",
    ),
    "homes_served": ("homes served unknown", "count the homes on this heater"),
    "capacity": ("tank size unknown", "read the rating plate"),
}
# input: (covariate whose effect it feeds, how far apart its answers lie: standard deviation in that covariate's unit).
# Engineering judgement, used only for the quick ranking.
ROUGH = {
    "water_test": ("hardness", 1.0),
    "setpoint": ("setpoint", 0.9),
    "anode_state": ("anode_spent", 0.4),
    "flush_record": ("sediment", 0.7),
    "static_pressure": ("pressure", 1.4),
    "expansion_control": ("no_expansion_control", 0.45),
    "homes_served": ("draw_per_gallon", 0.4),
    "capacity": ("draw_per_gallon", 0.3),
}
ROUGH_AGE_LOG_HAZARD = 0.9
ROUGH_LEVEL_LOG_HAZARD = 0.06  # what hearing the ages takes off the level that all heaters share


@dataclass(frozen=True)
class Gap:
    """One thing the record lacks. Money is the standard deviation of ten years' failure costs; None: not computed.

    `causes` is the spread this ignorance alone brings in, `spread_known` what is left of the whole once it is known.
    """

    name: str
    missing: str
    remedy: str
    heaters: int
    answers_needed: int
    answered_by: str
    worst_places: list[list[Any]]
    causes: float | None = None
    spread_known: float | None = None
    narrows: float | None = None


@dataclass(frozen=True)
class Quality:
    as_of: str
    currency: str
    heaters_in_service: int
    gaps: list[Gap]
    other: list[str]
    spread_now: float | None = None

    @property
    def computed(self) -> bool:
        return self.spread_now is not None

    def plain(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def of(cls, plain: dict[str, Any]) -> Quality:
        return cls(**{**plain, "gaps": [Gap(**gap) for gap in plain["gaps"]]})


def quick_look(organisation: Organisation, as_of: date) -> Quality:
    """Counts of what is missing, ranked by count and size of effect. Takes no forecast."""
    records = _records(as_of)
    lacking = _lacking(records)
    scores = {str(name): _rough_score(str(name), rows) for name, rows in lacking.groupby("input")}
    gaps = [_gap(name, lacking[lacking["input"] == name], records) for name in scores]
    gaps.sort(key=lambda gap: -scores[gap.name])
    return _quality(organisation, records, gaps, None)


def full_look(
    organisation: Organisation, as_of: date, progress: Progress, cancelled: Callable[[], bool]
) -> Quality:
    """The same, with the money that knowing each thing takes off the spread. Raises NothingToForecast."""
    from fleet.planning import chain
    from fleet.planning.priors import entered
    from forecasting.missing import value_of_knowing

    progress(0.0, "Reading the record")
    records = _records(as_of)
    if not (records.heaters["ending"] == "").any():
        raise chain.NothingToForecast("No heater is in service, so nothing is missing for a plan.")
    asked = chain.Asked(HORIZON_YEARS, SEED, DRAWS, {}, 0.0, 0.0, priors=entered(organisation.pk))
    posterior, _ = chain.fit_records(records, asked, progress, cancelled)
    progress(0.65, "Trying the answers that missing values may have")

    def refit(changed: Records) -> Posterior:
        return chain.fit_records(changed, asked, lambda fraction, words: None, cancelled)[0]

    costs = _failure_costs(organisation, records)
    found = value_of_knowing(posterior, records, costs, HORIZON_YEARS, refit=refit)
    lacking = _lacking(records)
    gaps = []
    for row in found.to_dict("records"):
        rows = lacking[lacking["input"] == str(row["input"])]
        narrows = round(float(row["sd_now"] - row["sd_known"]))
        gaps.append(
            replace(
                _gap(str(row["input"]), rows, records),
                causes=round(float(row["sd_removed"])),
                spread_known=round(float(row["sd_known"])),
                narrows=narrows,
            )
        )
    progress(1.0, "Done")
    spread = round(float(found["sd_now"].iloc[0])) if len(found) else 0
    return _quality(organisation, records, gaps, spread)


def _records(as_of: date) -> Records:
    from fleet.planning.frames import records_in_scope

    return records_in_scope(as_of)


def _lacking(records: Records) -> pd.DataFrame:
    from forecasting.missing import missing_inputs

    return missing_inputs(records)


def _failure_costs(organisation: Organisation, records: Records) -> dict[int, float]:
    """This year's price of replacing each heater in service after it failed, from the cost book."""
    from fleet.planning.cost_book import cost_book_shown
    from fleet.planning.prices import price_heaters

    heaters = records.heaters[records.heaters["ending"] == ""]
    book = cost_book_shown(organisation, records.as_of)
    sizes = [None if size != size else float(size) for size in heaters["capacity_gal"]]
    priced = price_heaters(book.price_lines(), list(heaters["kind"]), sizes)
    return {
        int(heater): float(cost) for heater, cost in zip(heaters["heater_id"], priced.emergency, strict=True)
    }


def _rough_score(name: str, rows: pd.DataFrame) -> float:
    """Spread of the summed log hazard when this is unknown: heaters of one building share their water's answer."""
    from forecasting.lifetimes import read_effects

    counts = rows.groupby("building_id").size()
    together = float((counts**2).sum()) if name == "water_test" else float(counts.sum())
    if name == "year_built":
        return float(ROUGH_LEVEL_LOG_HAZARD * counts.sum())
    effect = ROUGH_AGE_LOG_HAZARD
    if name in ROUGH:
        covariate, apart = ROUGH[name]
        known = read_effects().set_index("covariate").loc[covariate]
        effect = apart * (float(known["mean"]) ** 2 + float(known["sd"]) ** 2) ** 0.5
    return float(effect * together**0.5)


def _gap(name: str, rows: pd.DataFrame, records: Records) -> Gap:
    missing, remedy = WORDS[name]
    of_building = name in ("water_test", "year_built")
    place = records.heaters.set_index("heater_id")["property_id"].reindex(rows["heater_id"])
    names = dict(Property.objects.values_list("pk", "name"))
    counts = place.value_counts().head(3)
    worst = [[names.get(int(pk), ""), int(count)] for pk, count in zip(counts.index, counts, strict=True)]
    return Gap(
        name=name,
        missing=missing,
        remedy=remedy,
        heaters=len(rows),
        answers_needed=int(rows["building_id"].nunique()) if of_building else len(rows),
        answered_by="building" if of_building else "heater",
        worst_places=worst,
    )


def _quality(organisation: Organisation, records: Records, gaps: list[Gap], spread: float | None) -> Quality:
    currency = Property.objects.filter(organisation=organisation).values_list("currency", flat=True).first()
    standing = int((records.heaters["ending"] == "").sum())
    return Quality(records.as_of.isoformat(), currency or "USD", standing, gaps, _other(organisation), spread)


def _other(organisation: Organisation) -> list[str]:
    """What weakens the record itself; its price cannot be computed by trying answers."""
    found = []
    open_ended = Property.objects.filter(organisation=organisation, records_since__isnull=True).count()
    if open_ended:
        found.append(
            f"{open_ended} {'property does' if open_ended == 1 else 'properties do'} not say since when every ending "
            "was written down; until then its heaters teach the forecast less. Fill in 'records since'."
        )
    counts = Heater.objects.filter(organisation=organisation).aggregate(
        undated=Count("pk", filter=~Q(ending="") & Q(removed_precision="unknown")),
        uncaused=Count("pk", filter=Q(ending="removed")),
        unnumbered=Count("pk", filter=Q(ending="", serial_number="")),
    )
    if counts["undated"]:
        found.append(f"{counts['undated']} ended heaters have no date of ending. Even the year helps.")
    if counts["uncaused"]:
        found.append(
            f"{counts['uncaused']} heaters were removed without a cause. Say whether they failed or were replaced as planned."
        )
    if counts["unnumbered"]:
        found.append(
            f"{counts['unnumbered']} heaters in service have no serial number; it often holds the year made."
        )
    return found

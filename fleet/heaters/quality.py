"""What the record lacks, and what it costs not to know: ranked by how much knowing would narrow the plan.

Two answers: `quick_look` in a moment, ranked by counts and the published or judged size of each effect; and
`full_look`, which runs the forecast with every answer a missing value may turn out to have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from fleet.estate.models import Organisation, Property
from fleet.heaters import record_reading
from fleet.heaters.gap_words import OF_BUILDING, WORDS
from fleet.heaters.record_reading import Look
from fleet.pages.words import how_many

if TYPE_CHECKING:
    from forecasting.episodes import Records
    from forecasting.posterior import Posterior

Progress = Callable[[float, str], None]
HORIZON_YEARS = 10
DRAWS = 400
SEED = 1

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
    changed_since: int = 0  # properties whose record changed after it was looked at

    @property
    def computed(self) -> bool:
        return self.spread_now is not None

    def plain(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def of(cls, plain: dict[str, Any]) -> Quality:
        return cls(**{**plain, "gaps": [Gap(**gap) for gap in plain["gaps"]]})


def quick_look(organisation: Organisation, as_of: date, at_once: bool = False) -> Quality:
    """Counts of what is missing, ranked by count and size of effect. Takes no forecast.

    `at_once`: from kept sums where the fleet is large, which may be of an earlier day; what is shown says of which.
    """
    look = record_reading.look_at_once(as_of) if at_once else record_reading.look(as_of)
    scores = {name: _rough_score(name, look) for name in WORDS if look.of(name)[0]}
    gaps = [_gap(name, look) for name in sorted(scores, key=lambda name: -scores[name])]
    return _quality(organisation, look, gaps, None)


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
    look = record_reading.look(as_of)
    gaps = []
    for row in found.to_dict("records"):
        narrows = round(float(row["sd_now"] - row["sd_known"]))
        gaps.append(
            replace(
                _gap(str(row["input"]), look),
                causes=round(float(row["sd_removed"])),
                spread_known=round(float(row["sd_known"])),
                narrows=narrows,
            )
        )
    progress(1.0, "Done")
    spread = round(float(found["sd_now"].iloc[0])) if len(found) else 0
    return _quality(organisation, look, gaps, spread)


def _records(as_of: date) -> Records:
    from fleet.planning.frames import records_in_scope

    return records_in_scope(as_of)


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


def _rough_score(name: str, look: Look) -> float:
    """Spread of the summed log hazard when this is unknown: heaters of one building share their water's answer."""
    from forecasting.lifetimes import read_effects

    heaters, _, squares, _ = look.of(name)
    if name == "year_built":
        return float(ROUGH_LEVEL_LOG_HAZARD * heaters)
    effect = ROUGH_AGE_LOG_HAZARD
    if name in ROUGH:
        covariate, apart = ROUGH[name]
        known = read_effects().set_index("covariate").loc[covariate]
        effect = apart * (float(known["mean"]) ** 2 + float(known["sd"]) ** 2) ** 0.5
    return float(effect * (squares if name == "water_test" else heaters) ** 0.5)


def _gap(name: str, look: Look) -> Gap:
    missing, remedy = WORDS[name]
    heaters, buildings, _, most = look.of(name)
    names = dict(Property.objects.filter(pk__in=[number for number, _ in most]).values_list("pk", "name"))
    return Gap(
        name=name,
        missing=missing,
        remedy=remedy,
        heaters=heaters,
        answers_needed=buildings if name in OF_BUILDING else heaters,
        answered_by="building" if name in OF_BUILDING else "heater",
        worst_places=[[names.get(number, ""), count] for number, count in most],
    )


def _quality(organisation: Organisation, look: Look, gaps: list[Gap], spread: float | None) -> Quality:
    currency = Property.objects.filter(organisation=organisation).values_list("currency", flat=True).first()
    other = _other(organisation, look)
    day = look.as_of.isoformat()
    return Quality(day, currency or "USD", look.standing, gaps, other, spread, look.changed_since)


def _other(organisation: Organisation, look: Look) -> list[str]:
    """What weakens the record itself; its price cannot be computed by trying answers."""
    found = []
    open_ended = Property.objects.filter(organisation=organisation, records_since__isnull=True).count()
    if open_ended:
        found.append(
            f"{open_ended} {'property does' if open_ended == 1 else 'properties do'} not say since when every ending "
            "was written down. Until then the forecast learns nothing from how long heaters have lasted there, nor from the "
            "endings on record. Enter the day under Properties, there for all of them at once too, or import it as 'records since'."
        )
    if look.undated:
        found.append(
            f"No date of ending is on record of {how_many(look.undated, 'ended heater')}. Even the year helps."
        )
    if look.uncaused:
        found.append(
            f"No cause is on record of {how_many(look.uncaused, 'removed heater')}: failed, or replaced as planned?"
        )
    if look.unnumbered:
        found.append(
            f"No serial number is on record of {how_many(look.unnumbered, 'heater')} in service; it often holds the year made."
        )
    return found

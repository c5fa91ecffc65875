"""Why a heater's risk is what it is, in words a plumber would use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecasting.episodes import FloatArray, FutureStates, Records
from forecasting.posterior import Posterior
from forecasting.risk import building_multipliers, check_states, chunk_risk, kind_chunks, pick_draws

# How the covariates are centred (forecasting.episodes.COVARIATES).
TYPICAL_HARDNESS_MG_L, HARDNESS_STEP = 120.0, 100.0
TYPICAL_SETPOINT_F, SETPOINT_STEP = 125.0, 10.0
TYPICAL_PRESSURE_PSI, PRESSURE_STEP = 60.0, 10.0
OLD_FOR_A_ROD_YEARS = 8.0  # engineering judgement: a rod nobody renewed is gone by then
SMALLEST_WORTH_SAYING = 0.02  # 2 % of hazard: less is noise to a reader
REASON_COLUMNS = ["heater_id", "rank", "covariate", "log_hazard_contribution", "words", "assumed"]


@dataclass(frozen=True)
class _Heater:
    """What the sentences need of one heater."""

    age: float
    median_life: float
    x: FloatArray
    place: dict[str, int]
    failures_in_building: int
    years_without_flush: float  # NaN = not known

    def value(self, name: str) -> float:
        return float(self.x[self.place[name]]) if name in self.place else 0.0


def reasons(
    posterior: Posterior, states: FutureStates, records: Records | None = None, most: int = 3
) -> pd.DataFrame:
    """The weightiest contributions to each heater's log hazard, largest first.

    Measured against a typical heater of its kind at half the kind's median life, in a typical building and
    with every covariate at 0.  Age contributes ``(k-1) log(age / (median/2))``, a covariate ``x beta``, each averaged
    over the draws, the building the log of its mean ``z``; +0.7 doubles the hazard, -0.7 halves it.

    Returns heater_id, rank (1..most), covariate ('age', 'building' or a covariate's name),
    log_hazard_contribution, words, assumed (True when the input was assumed, not measured).  Contributions
    under 2 % are left out.  With ``records`` the words also say how long no flush is on record.
    """
    check_states(posterior, states)
    names = ["age", "building", *posterior.covariates]
    contribution, age, median = _contributions(posterior, states)
    order = np.argsort(-np.abs(contribution), axis=1, kind="stable")[:, :most]
    unflushed = _years_without_flush(states, records)
    place = {name: index for index, name in enumerate(posterior.covariates)}
    rows: list[tuple[int, int, str, float, str, bool]] = []
    for i, heater_id in enumerate(states.heater_ids.tolist()):
        building = int(states.building[i])
        failures = int(posterior.building_failures[building]) if building >= 0 else 0
        heater = _Heater(float(age[i]), float(median[i]), states.x[i, 0], place, failures, unflushed[i])
        for rank, which in enumerate(order[i].tolist(), start=1):
            amount = float(contribution[i, which])
            if abs(amount) < SMALLEST_WORTH_SAYING:
                break
            name = names[which]
            known = bool(states.known[name][i]) if name in states.known else name == "building"
            words = _SENTENCES.get(name, _plain(name))(heater, amount)
            words = f"in its favour: {words}" if amount < 0 else words
            rows.append((heater_id, rank, name, amount, words if known else words + " (assumed)", not known))
    return pd.DataFrame(rows, columns=REASON_COLUMNS)


def _contributions(posterior: Posterior, states: FutureStates) -> tuple[FloatArray, FloatArray, FloatArray]:
    count = len(states.heater_ids)
    draws = pick_draws(posterior, 200)
    multipliers = building_multipliers(posterior, states, draws)
    contribution = np.zeros((count, 2 + len(posterior.covariates)))
    seen = states.building >= 0
    contribution[seen, 1] = _of_buildings(posterior)[states.building[seen]]
    contribution[:, 2:] = states.x[:, 0] * posterior.beta.mean(axis=0)
    age, median = np.zeros(count), np.zeros(count)
    for kind, rows in kind_chunks(states):
        risk = chunk_risk(posterior, states, multipliers, draws, kind, rows, 1)
        age[rows] = (risk.ages * risk.weights.mean(axis=2)).sum(axis=1)
        shape = np.exp(posterior.log_shape[draws, kind])
        life = np.exp(posterior.log_scale[draws, kind]) * np.log(2) ** (1 / shape)
        median[rows] = np.median(life)
        compared = np.log(np.maximum(age[rows, None], 0.25) / (life / 2))
        contribution[rows, 0] = ((shape - 1) * compared).mean(axis=1)
    return contribution, age, median


def _of_buildings(posterior: Posterior) -> FloatArray:
    """Log of each building's mean multiplier; 0 where the draws cannot tell it from 1.

    Of the mean, because z has mean 1 before the data: the mean of log z lies below 0 for a building of which nothing
    is known, and would call every such building one that lasts.
    """
    if not len(posterior.z):
        return np.zeros(posterior.z.shape[1])
    mean, spread = posterior.z.mean(axis=0), posterior.z.std(axis=0)
    told = np.abs(mean - 1.0) > 3.0 * spread / np.sqrt(len(posterior.z))
    told &= posterior.building_exposure.mean(axis=0) > 0
    return np.where(told, np.log(np.maximum(mean, 1e-12)), 0.0)


def _years_without_flush(states: FutureStates, records: Records | None) -> FloatArray:
    """Years since the last flush on record, or since the record began when there is none."""
    answer = np.full(len(states.heater_ids), np.nan)
    if records is None or records.heaters.empty:
        return answer
    heaters = records.heaters.drop_duplicates("heater_id").set_index("heater_id")
    since = pd.to_datetime(heaters["record_start"]).reindex(states.heater_ids)
    if not records.services.empty:
        flushes = records.services[records.services["kind"] == "flush"]
        last = pd.to_datetime(flushes["done_latest"]).groupby(flushes["heater_id"]).max()
        last = last.reindex(states.heater_ids)
        since = since.where(last.isna() | (last < since), last)
    days = (pd.Timestamp(records.as_of) - since).dt.days.to_numpy(dtype=float)
    return np.asarray(days / 365.25)


def _years(number: float) -> str:
    whole = max(0, int(round(number)))
    return "less than a year" if whole == 0 else "1 year" if whole == 1 else f"{whole} years"


def _age(heater: _Heater, amount: float) -> str:
    part = heater.age / max(heater.median_life, 0.1)
    if part >= 1:
        return f"{_years(heater.age)} old, past the typical life of its kind ({_years(heater.median_life)})"
    if part >= 0.75:
        return (
            f"{_years(heater.age)} old, nearing the typical life of its kind ({_years(heater.median_life)})"
        )
    if amount > 0:
        return f"{_years(heater.age)} old, more than half way through the typical life of its kind"
    return f"only {_years(heater.age)} old" if heater.age >= 0.5 else "nearly new"


def _building(heater: _Heater, amount: float) -> str:
    count = heater.failures_in_building
    on_record = f" ({count or 'no'} failure{'' if count == 1 else 's'} on record)"
    if amount > 0 and not count:  # heard from the ages of what stood there when the record began
        return (
            "by the ages of the heaters found there, heaters in this building last less long than usual"
            + on_record
        )
    if amount > 0:
        return "heaters in this building have failed sooner than usual" + on_record
    return "heaters in this building have lasted longer than usual" + on_record


def _anode(heater: _Heater, amount: float) -> str:
    # The covariate is the chance that the rod is spent, less that of a heater of this age nobody cares for.
    sooner = heater.value("anode_spent")
    if sooner < 0:
        return "anode renewed or slow to wear, so it likely still protects the tank"
    if sooner >= 0.5 or heater.age >= OLD_FOR_A_ROD_YEARS:
        return "anode very likely spent"
    return "anode likely spent sooner than usual"


def hardness_words(hardness_mg_l: float) -> str:
    """Class of water by hardness as CaCO3: 60, 120, 180 mg/L (classes of the US Geological Survey)."""
    for limit, words in ((60, "soft"), (120, "moderately hard"), (180, "hard")):
        if hardness_mg_l <= limit:
            return f"{words} water"
    return "very hard water"


def _water(heater: _Heater) -> str:
    return hardness_words(TYPICAL_HARDNESS_MG_L + HARDNESS_STEP * heater.value("hardness"))


def _sediment(heater: _Heater, amount: float) -> str:
    if heater.value("sediment") < 0:
        return "less scale in the tank than usual for its age"
    if np.isnan(heater.years_without_flush) or heater.years_without_flush < 1:
        return f"more scale in the tank than usual, from {_water(heater)}"
    return f"{_water(heater)}, no flush on record for {_years(heater.years_without_flush)}"


def _hardness(heater: _Heater, amount: float) -> str:
    level = TYPICAL_HARDNESS_MG_L + HARDNESS_STEP * heater.value("hardness")
    return f"{_water(heater)} (about {max(level, 0):.0f} mg/L)"


def _softened(heater: _Heater, amount: float) -> str:
    if amount > 0:
        return "softened water, which uses up the anode sooner"
    return "softened water, which leaves less scale"


def _setpoint(heater: _Heater, amount: float) -> str:
    level = TYPICAL_SETPOINT_F + SETPOINT_STEP * heater.value("setpoint")
    return f"set to {level:.0f} °F, {'hotter' if heater.value('setpoint') > 0 else 'cooler'} than usual"


def _pressure(heater: _Heater, amount: float) -> str:
    level = TYPICAL_PRESSURE_PSI + PRESSURE_STEP * heater.value("pressure")
    return (
        f"water pressure {level:.0f} psi, {'higher' if heater.value('pressure') > 0 else 'lower'} than usual"
    )


def _expansion(heater: _Heater, amount: float) -> str:
    return "closed system with no expansion tank on record"


def _draw(heater: _Heater, amount: float) -> str:
    if heater.value("draw_per_gallon") > 0:
        return "works harder than usual: many homes for the size of its tank"
    return "lightly used for the size of its tank"


def _plain(name: str) -> Callable[[_Heater, float], str]:
    readable = name.replace("_", " ")
    return lambda heater, amount: f"{readable} {'raises' if amount > 0 else 'lowers'} the risk"


_SENTENCES: dict[str, Callable[[_Heater, float], str]] = {
    "age": _age,
    "building": _building,
    "anode_spent": _anode,
    "sediment": _sediment,
    "hardness": _hardness,
    "softened": _softened,
    "setpoint": _setpoint,
    "pressure": _pressure,
    "no_expansion_control": _expansion,
    "draw_per_gallon": _draw,
}

"""The risk of each heater of a day: from the last good forecast where there is one, else from published lifetimes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date
from functools import cache
from typing import NamedTuple

from fleet.care.models import Task
from fleet.care.priority import ASSUMED_EXTRA, Priority, Risk, chance_within_a_year, priority
from fleet.care.rules import say
from fleet.heaters.models import Heater
from fleet.planning.models import ForecastRun, HeaterOutlook


@cache
def _published() -> dict[str, tuple[float, float]]:
    """Median life in years and shape by kind: the middle of the prior that the published tables give."""
    from forecasting.lifetimes import KINDS, load_prior

    found = load_prior(KINDS, ())
    return {
        kind: (math.exp(median), math.exp(shape))
        for kind, median, shape in zip(found.kinds, found.log_median_mean, found.log_shape_mean, strict=True)
    }


class Standing(NamedTuple):
    """What of a heater its risk is told from."""

    pk: int
    organisation_id: int
    kind: str
    installed_earliest: date | None
    made_earliest: date | None
    currency: str


def standings(heater_ids: Iterable[int]) -> list[Standing]:
    rows = Heater.objects.filter(pk__among=set(heater_ids)).order_by()
    return [
        Standing(*row)
        for row in rows.values_list(*Standing._fields[:-1], "position__building__property__currency")
    ]


def _by_age(heater: Standing, today: date) -> Risk | None:
    if heater.kind not in _published():
        return None
    median, shape = _published()[heater.kind]
    start = heater.installed_earliest or heater.made_earliest
    age = max((today - start).days / 365.25, 0.0) if start else median / 2
    words = f"published lifetimes by kind and age; the {heater.currency} {ASSUMED_EXTRA:,.0f} a surprise costs more is assumed"
    if start is None:
        words = f"age assumed {age:.0f} years; {words}"
    return Risk(chance_within_a_year(age, median, shape), ASSUMED_EXTRA, words, heater.currency)


def risks_of(heaters: Iterable[Standing], today: date) -> dict[int, Risk]:
    rows = {heater.pk: heater for heater in heaters}
    found: dict[int, Risk] = {}
    for organisation_id in {heater.organisation_id for heater in rows.values()}:
        run = (
            ForecastRun.objects.filter(organisation_id=organisation_id, state=ForecastRun.State.DONE)
            .order_by("-as_of", "-id")
            .values_list("pk", "as_of")
            .first()
        )
        if run is None:
            continue
        outlooks = HeaterOutlook.objects.filter(run_id=run[0], heater_id__among=list(rows)).order_by()
        for heater_id, chance, planned, emergency in outlooks.values_list(
            "heater_id", "p_fail_12_months", "planned_cost", "emergency_cost"
        ):
            extra = max(float(emergency - planned), 0.0)
            found[heater_id] = Risk(chance, extra, f"forecast of {say(run[1])}", rows[heater_id].currency)
    for number, heater in rows.items():
        if number not in found and (guess := _by_age(heater, today)) is not None:
            found[number] = guess
    return found


def priorities(tasks: Iterable[Task], today: date) -> dict[int, Priority]:
    """Each task's priority with its reason. The tasks come with their heaters."""
    rows = list(tasks)
    heaters = {task.heater_id: task.heater for task in rows}
    risks = risks_of((_standing(heater) for heater in heaters.values()), today)
    return {
        task.pk: priority(
            task.task_kind, task.due_on, task.window_days, task.promised_by, today, risks.get(task.heater_id)
        )
        for task in rows
    }


def _standing(heater: Heater) -> Standing:
    return Standing(
        heater.pk,
        heater.organisation_id,
        heater.kind,
        heater.installed_earliest,
        heater.made_earliest,
        heater.position.building.property.currency,
    )

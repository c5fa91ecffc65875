"""The risk of each heater of a day: from the last good forecast where there is one, else from published lifetimes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date
from functools import cache

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


def _by_age(heater: Heater, today: date) -> Risk | None:
    if heater.kind not in _published():
        return None
    median, shape = _published()[heater.kind]
    start = heater.installed_earliest or heater.made_earliest
    age = max((today - start).days / 365.25, 0.0) if start else median / 2
    currency = heater.position.building.property.currency
    words = f"published lifetimes by kind and age; the {ASSUMED_EXTRA:,.0f} {currency} a surprise costs more is assumed"
    if start is None:
        words = f"age assumed {age:.0f} years; {words}"
    return Risk(chance_within_a_year(age, median, shape), ASSUMED_EXTRA, words, currency)


def risks_of(heaters: Iterable[Heater], today: date) -> dict[int, Risk]:
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
        outlooks = HeaterOutlook.objects.filter(run_id=run[0], heater_id__in=list(rows)).values_list(
            "heater_id", "p_fail_12_months", "planned_cost", "emergency_cost"
        )
        for heater_id, chance, planned, emergency in outlooks:
            currency = rows[heater_id].position.building.property.currency
            extra = max(float(emergency - planned), 0.0)
            found[heater_id] = Risk(chance, extra, f"forecast of {say(run[1])}", currency)
    for number, heater in rows.items():
        if number not in found and (guess := _by_age(heater, today)) is not None:
            found[number] = guess
    return found


def priorities(tasks: Iterable[Task], today: date) -> dict[int, Priority]:
    """Each task's priority with its reason. The tasks come with their heaters."""
    rows = list(tasks)
    risks = risks_of((task.heater for task in rows), today)
    return {
        task.pk: priority(
            task.task_kind, task.due_on, task.window_days, task.promised_by, today, risks.get(task.heater_id)
        )
        for task in rows
    }

"""Reads what the rules need of many heaters in a handful of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.db.models import Max, Q
from django.db.models.functions import Coalesce

from fleet.care.models import CareSetting, CareStart, Task
from fleet.care.rules import EARLY_CHANCE, AnodeLook, Facts, SiteSetting, fitted_on
from fleet.heaters.models import Heater, ServiceRecord, WaterTest

HEATER_FIELDS = (
    "id",
    "kind",
    "installed_earliest",
    "made_earliest",
    "setpoint_f",
    "anode_kind",
    "capacity_gal",
    "input_btu_h",
    "recirculation",
    "position__has_expansion_tank",
    "position__closed_system",
    "position__seismic_zone",
    "position__has_pan",
    "position__has_leak_alarm",
    "position__building_id",
    "position__building__property_id",
    "position__building__softened_since",
    "anode_count",
)
# What a service record on file counts as, for work that was done before this program kept the tasks.
COUNTS_AS: dict[str, tuple[str, ...]] = {
    "flush": ("flush",),
    "anode_inspected": ("anode_inspection",),
    "anode_renewed": ("anode_renewal",),
    "relief_valve_tested": ("relief_valve_test",),
    "relief_valve_renewed": ("relief_valve_renewal",),
    "descaled": ("tankless_descale",),
    "inspected": ("tank_inspection",),
}


class Surroundings:
    """Water and site settings of one organisation, or of some of its properties: read once for all heaters."""

    def __init__(
        self, organisation_id: int, today: date, property_ids: Collection[int] | None = None
    ) -> None:
        self.hardness: dict[tuple[int, int | None, str], float] = {}
        here: dict[str, Any] = {"organisation_id": organisation_id}
        if property_ids is not None:
            here["property_id__in"] = property_ids
        rows = (
            WaterTest.objects.filter(**here, hardness_mg_l__isnull=False)
            .filter(Q(tested_earliest__isnull=True) | Q(tested_earliest__lte=today))
            .annotate(on=Coalesce("tested_latest", "tested_earliest"))
            .order_by("on", "id")
            .values_list("property_id", "building_id", "treatment", "hardness_mg_l")
        )
        for property_id, building_id, treatment, hardness in rows:
            self.hardness[property_id, building_id, treatment] = hardness
        self.settings: dict[int, dict[str, SiteSetting]] = defaultdict(dict)
        for row in CareSetting.objects.filter(**here):
            setting = SiteSetting(row.interval_months, row.source, row.switched_off)
            self.settings[row.property_id][row.kind] = setting

    def hardness_of(self, property_id: int, building_id: int, softened: bool) -> float | None:
        """The newest test of the building, else of the property, of the water that reaches the heater."""
        treatment = "softened" if softened else "raw"
        for place in (building_id, None):
            if (value := self.hardness.get((property_id, place, treatment))) is not None:
                return value
        return None


def gather(
    heaters: Sequence[tuple[Any, ...]],
    surroundings: Surroundings,
    today: date,
    began: Mapping[int, date] | None = None,
) -> dict[int, Facts]:
    """Facts by heater id, as known on `today`. `heaters` are rows of HEATER_FIELDS; `began`: their first days, if read."""
    if began is None:
        began = first_days(heaters[0][0], heaters[-1][0]) if heaters else {}
    facts: dict[int, Facts] = {}
    for row in heaters:
        (number, kind, installed, made, setpoint, anode, capacity, power, recirculation, expansion, closed,
         seismic, pan, alarm, building_id, property_id, softened_since, anode_count) = row  # fmt: skip
        softened = softened_since is not None and softened_since <= today
        facts[number] = Facts(
            heater_id=number,
            kind=kind,
            building_id=building_id,
            started_on=installed or made,
            hardness_mg_l=surroundings.hardness_of(property_id, building_id, softened),
            softened=softened,
            setpoint_f=setpoint,
            anode_kind=anode,
            anode_count=anode_count,
            capacity_gal=capacity,
            input_btu_h=power,
            has_expansion_tank=expansion,
            closed_system=closed,
            seismic_zone=seismic,
            recirculation=recirculation,
            has_pan=pan,
            has_leak_alarm=alarm,
            settings=surroundings.settings.get(property_id, {}),
            known_since=began.get(number),
        )
    _add_services(facts, today)
    _add_closed_tasks(facts, today)
    _predict_anodes(facts)
    return facts


def _span(facts: dict[int, Facts]) -> dict[str, int]:
    """Ids of a slice stand close together: a range is quicker to ask for than thousands of ids."""
    return {"heater_id__gte": min(facts), "heater_id__lte": max(facts)}


def first_days(first: int, last: int) -> dict[int, date]:
    """From when on care is kept here, of the heaters whose numbers lie between these."""
    rows = CareStart.objects.filter(heater_id__gte=first, heater_id__lte=last)
    return dict(rows.values_list("heater_id", "began_on"))


def _add_services(facts: dict[int, Facts], today: date) -> None:
    if not facts:
        return
    done = ServiceRecord.objects.filter(**_span(facts)).annotate(on=Coalesce("done_earliest", "done_latest"))
    done = done.filter(on__lte=today).order_by()
    kinds = set()
    for heater_id, kind, on in done.values_list("heater_id", "kind").annotate(last=Max("on")):
        kinds.add(kind)
        if heater_id in facts:
            for code in COUNTS_AS.get(kind, ()):
                facts[heater_id].last_done[code] = on
    if "anode_inspected" not in kinds:
        return
    looks: dict[int, list[AnodeLook]] = defaultdict(list)
    rows = done.filter(kind="anode_inspected", anode_left_fraction__isnull=False).order_by("on", "id")
    for heater_id, on, left in rows.values_list("heater_id", "on", "anode_left_fraction"):
        if heater_id in facts:
            renewed = facts[heater_id].last_done.get("anode_renewal")
            if renewed is None or renewed < on:
                looks[heater_id].append(AnodeLook(on, left))
    for heater_id, seen in looks.items():
        facts[heater_id].anode_looks = tuple(seen)


def _add_closed_tasks(facts: dict[int, Facts], today: date) -> None:
    if not facts:
        return
    closed = Task.objects.filter(
        **_span(facts), state__in=["done", "skipped"], closed_on__lte=today
    ).order_by()
    rows = closed.values_list("heater_id", "kind", "state").annotate(last=Max("closed_on"))
    for heater_id, kind, state, on in rows:
        if heater_id not in facts:
            continue
        one = facts[heater_id]
        if state == "skipped":
            one.last_skipped[kind] = on
        elif kind not in one.last_done or one.last_done[kind] < on:
            one.last_done[kind] = on


def _predict_anodes(facts: dict[int, Facts]) -> None:
    """The day by which an anode that was looked at has one chance in five of being spent, from the science."""
    rows = [(one, day) for one in facts.values() if one.anode_looks and (day := fitted_on(one)) is not None]
    if not rows:
        return
    import numpy as np

    from forecasting.anode import anode_wear, inspected, remaining_life_years

    def numbers(values: Iterable[float | None]) -> Any:
        return np.array([np.nan if value is None else value for value in values], dtype=float)

    wear = anode_wear(
        [one.anode_kind for one, _ in rows],
        numbers(one.capacity_gal for one, _ in rows),
        numbers(one.anode_count or None for one, _ in rows),
        setpoint_f=numbers(one.setpoint_f for one, _ in rows),
        softened=np.array([one.softened for one, _ in rows]),
    )
    left = numbers(one.anode_looks[-1].left_fraction for one, _ in rows)
    years = numbers(max((one.anode_looks[-1].seen_on - day).days, 0) / 365.2425 for one, day in rows)
    age = numbers(_years_between(one.started_on, day) for one, day in rows)
    learnt = inspected(wear, years, left, tank_age_at_start=age)
    rest = remaining_life_years(learnt, 1 - left, age + years, quantiles=(EARLY_CHANCE,))[0]
    for (one, _), more in zip(rows, rest, strict=True):
        if np.isfinite(more):
            days = int(min(more, 100) * 365.2425)
            one.anode_exhausted_on = one.anode_looks[-1].seen_on + timedelta(days=days)


def _years_between(start: date | None, end: date) -> float:
    return max((end - start).days / 365.2425, 0.0) if start is not None else 0.0


def facts_of(heater: Heater, today: date) -> Facts:
    """The same facts for one heater, for its own page."""
    rows = list(Heater.objects.filter(pk=heater.pk).values_list(*HEATER_FIELDS))
    place = heater.position.building.property_id
    return gather(rows, Surroundings(heater.organisation_id, today, [place]), today)[heater.pk]

"""What the pages read: plain rows, few queries, always inside the scope of the person who asks."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Count, F, Q

from fleet.estate.models import Building, HistoryEntry, Position, Property
from fleet.heaters.models import GAS, Heater, Kind
from fleet.pages import words

BAND_YEARS = 3
LAST_BAND = 8
GAS_SIDE, OTHER_SIDE = "gas", "electric and other"
KIND_NAMES: dict[str, str] = dict(Kind.choices)


@dataclass(frozen=True)
class Ages:
    """The fleet by age: rows for the picture, and for the table each kind in its own column."""

    picture: list[dict[str, Any]]
    kinds: list[str]
    table: list[tuple[str, list[int], int]]
    unknown: int
    total: int
    median_years: float | None


def band_name(order: int) -> str:
    low = order * BAND_YEARS
    return f"{low} and over" if order == LAST_BAND else f"{low} to {low + BAND_YEARS - 1}"


def ages(today: date, property_id: int | None = None) -> Ages:
    """Age in whole years, at the middle of what is known of the install date; wholly unknown ages apart."""
    rows = Heater.objects.filter(ending="")
    if property_id is not None:
        rows = rows.filter(position__building__property_id=property_id)
    counts: dict[int, Counter[str]] = defaultdict(Counter)
    known: list[float] = []
    unknown = total = 0
    for kind, earliest, latest, made_earliest, made_latest in rows.values_list(
        "kind", "installed_earliest", "installed_latest", "made_earliest", "made_latest"
    ).iterator():
        total += 1
        span = words.age_years(earliest, latest, today) or words.age_years(made_earliest, made_latest, today)
        if span is None:
            unknown += 1
            continue
        age = sum(span) / 2
        known.append(age)
        counts[min(LAST_BAND, int(age // BAND_YEARS))][kind] += 1
    kinds = [kind for kind in KIND_NAMES if any(counts[order][kind] for order in counts)]
    picture, table = [], []
    for order in range(LAST_BAND + 1):
        gas = sum(number for kind, number in counts[order].items() if kind in GAS)
        everything = sum(counts[order].values())
        for side, number in ((GAS_SIDE, gas), (OTHER_SIDE, everything - gas)):
            picture.append({"band": band_name(order), "order": order, "side": side, "count": number})
        table.append((band_name(order), [counts[order][kind] for kind in kinds], everything))
    median = sorted(known)[len(known) // 2] if known else None
    return Ages(picture, [KIND_NAMES[kind] for kind in kinds], table, unknown, total, median)


def properties() -> Any:
    """Each property with its buildings and its heaters in service."""
    return Property.objects.annotate(
        building_count=Count("buildings", distinct=True),
        heater_count=Count(
            "buildings__positions__heaters", filter=Q(buildings__positions__heaters__ending=""), distinct=True
        ),
    ).order_by("name")


def buildings(property_id: int) -> Any:
    return (
        Building.objects.filter(property_id=property_id)
        .annotate(
            position_count=Count("positions", distinct=True),
            heater_count=Count("positions__heaters", filter=Q(positions__heaters__ending=""), distinct=True),
        )
        .order_by("name")
    )


HEATER_COLUMNS = (
    "id",
    "tag",
    "kind",
    "ending",
    "capacity_gal",
    "installed_earliest",
    "installed_latest",
    "installed_precision",
    "made_earliest",
    "made_latest",
    "position_id",
    "position__label",
    "position__building_id",
    "position__building__name",
    "position__building__property_id",
    "position__building__property__name",
)


# What the list can be put in order of; rows with the same value keep a fixed order by number.
ORDERS: dict[str, tuple[str, tuple[Any, ...]]] = {
    "place": (
        "by place",
        ("position__building__property__name", "position__building__name", "position__label"),
    ),
    "oldest": ("oldest first", (F("installed_latest").asc(nulls_last=True),)),
    "newest": ("newest first", (F("installed_latest").desc(nulls_last=True),)),
    "tag": ("by tag", ("tag",)),
}


def heaters(
    words_sought: str = "",
    property_id: int | None = None,
    kind: str = "",
    service: str = "in",
    order: str = "place",
) -> Any:
    """Heaters as plain rows. `service`: 'in', 'ended' or 'all'."""
    rows = Heater.objects.all()
    if service == "in":
        rows = rows.filter(ending="")
    elif service == "ended":
        rows = rows.exclude(ending="")
    if property_id is not None:
        rows = rows.filter(position__building__property_id=property_id)
    if kind:
        rows = rows.filter(kind=kind)
    for word in words_sought.split()[:6]:
        rows = rows.filter(
            Q(tag__icontains=word)
            | Q(position__label__icontains=word)
            | Q(position__building__name__icontains=word)
            | Q(position__building__property__name__icontains=word)
            | Q(serial_number__icontains=word)
            | Q(model_number__icontains=word)
        )
    return rows.order_by(*ORDERS[order][1], "id").values(*HEATER_COLUMNS)


def shown_heater(row: dict[str, Any], today: date) -> dict[str, Any]:
    """A plain row with what people read added to it."""
    age = words.an_age(row["installed_earliest"], row["installed_latest"], today)
    by_make = age == words.NOT_KNOWN and row["made_latest"] is not None
    if by_make:
        age = words.an_age(row["made_earliest"], row["made_latest"], today)
    return row | {
        "kind_name": KIND_NAMES.get(row["kind"], row["kind"]),
        "age": age,
        "age_by_make": by_make,
        "installed": words.a_date(
            row["installed_earliest"], row["installed_latest"], row["installed_precision"]
        ),
    }


def history(subject_kind: str, subject_id: int) -> Any:
    return HistoryEntry.objects.filter(subject_kind=subject_kind, subject_id=subject_id).order_by(
        "-at", "-id"
    )


def origins(heater: Heater) -> tuple[dict[str, str], str]:
    """For each field that history names, who last gave it and when; and the same for everything else."""
    named: dict[str, str] = {}
    first = ""
    for entry in history("heater", heater.pk).order_by("at", "id").values("at", "actor", "verb", "changes"):
        by = f" by {entry['actor']}" if entry["actor"] else ""
        source = f"{entry['verb'].replace('_', ' ')}{by}, {words.a_day(entry['at'].date())}"
        first = first or source
        named |= dict.fromkeys(entry["changes"], source)
    return named, first or _import_of(heater)


def _import_of(heater: Heater) -> str:
    """Rows taken in from a file leave one entry for the whole file: named where only one file can be meant."""
    batches = list(
        HistoryEntry.objects.filter(subject_kind="importbatch", verb="imported")
        .order_by("id")
        .values("subject_label", "at", "actor")[:2]
    )
    if len(batches) == 1:
        only = batches[0]
        return f"imported from {only['subject_label']} by {only['actor']}, {words.a_day(only['at'].date())}"
    return "taken in from an imported file"


def line_of(place: Position) -> list[Heater]:
    """All heaters that stood at a position, the latest first: the one in service, then those that left."""
    rows = list(Heater.objects.filter(position_id=place.pk))
    far = date.max

    def left(heater: Heater) -> tuple[date, date]:
        gone = far if heater.in_service else heater.removed_latest or heater.installed_latest or date.min
        return gone, heater.installed_latest or date.min

    return sorted(rows, key=left, reverse=True)


def position_facts(place: Position) -> list[tuple[str, str]]:
    yes_no, number = words.yes_no, words.a_number
    return [
        ("Floor", place.floor or words.NOT_KNOWN),
        ("Room", place.room or words.NOT_KNOWN),
        ("What lies below", str(place.get_below_display())),
        ("Shut-off valve on the cold side", yes_no(place.has_shutoff_valve)),
        ("Drain pan", yes_no(place.has_pan)),
        ("Floor or pan drain", yes_no(place.has_drain)),
        ("Leak alarm", yes_no(place.has_leak_alarm)),
        ("Static pressure", number(place.static_pressure_psi, "psi")),
        ("Closed system", yes_no(place.closed_system)),
        ("Expansion tank", yes_no(place.has_expansion_tank)),
        ("Seismic design category", place.seismic_zone or words.NOT_KNOWN),
        ("Clear height", number(place.clear_height_in, "in")),
        ("Clear width", number(place.clear_width_in, "in")),
    ]

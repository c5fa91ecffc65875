"""What the pages read: plain rows, few queries, always inside the scope of the person who asks."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django.db.models import Count, F, Q

from fleet.estate.models import Building, HistoryEntry, Position, Property
from fleet.heaters.models import Heater, Kind
from fleet.pages import words
from fleet.pages.meeting import meeting

KIND_NAMES: dict[str, str] = dict(Kind.choices)


def properties(sought: str = "") -> Any:
    """The properties in sight, of clients too; take a leaf of them to `counted`."""
    rows = Property.objects.filter(meeting(sought.split()[:6], "name", "address")).order_by("name", "id")
    return rows.values("id", "name", "address", client=F("organisation__name"))


def without_records_since(organisation_id: int) -> int:
    """Properties of one's own that do not say since when every ending was written down."""
    return Property.objects.filter(organisation_id=organisation_id, records_since=None).order_by().count()


def counted(leaf: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each property of a leaf with its buildings and its heaters in service."""
    rows = list(leaf)
    shown = [row["id"] for row in rows]
    place = "position__building__property_id"
    serving = _counted(Heater.objects.filter(ending="", **{f"{place}__in": shown}), place)
    standing = _counted(Building.objects.filter(property_id__in=shown), "property_id")
    return [
        row | {"building_count": standing.get(row["id"], 0), "heater_count": serving.get(row["id"], 0)}
        for row in rows
    ]


def _counted(rows: Any, by: str) -> dict[int, int]:
    return dict(rows.order_by().values_list(by).annotate(number=Count("id")))


def usual_of_properties(organisation_id: int) -> dict[str, Any]:
    """Clock, fiscal year and currency of the property entered last: the next one most likely shares them."""
    usual = ("time_zone", "fiscal_year_start_month", "currency")
    return Property.objects.filter(organisation_id=organisation_id).order_by("-id").values(
        *usual
    ).first() or {"time_zone": "UTC"}


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


def heaters_in(building_id: int) -> Any:
    """The heaters in service in one building, as plain rows."""
    places = Position.objects.filter(building_id=building_id).values("id")
    return Heater.objects.filter(ending="", position__in=places).values(*HEATER_COLUMNS)


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
        ("Clear depth", number(place.clear_depth_in, "in")),
        ("Air in the room", number(place.room_volume_ft3, "ft³")),
        ("Hard to reach", yes_no(place.hard_access)),
        ("Mixing valve", yes_no(place.has_mixing_valve)),
        ("Sediment trap", yes_no(place.has_sediment_trap)),
        ("Seismic straps", yes_no(place.has_seismic_straps)),
        ("Vent lined", yes_no(place.vent_lined)),
        ("240 V circuit", yes_no(place.has_240v_circuit)),
    ]

"""Since when the endings of each property are on record, as a forecast takes it: said, supposed or not at all."""

from __future__ import annotations

from django.db.models import Exists, OuterRef

from fleet.estate.models import Property
from fleet.heaters.models import Heater
from fleet.planning.models import ForecastRun


def watching(run: ForecastRun) -> dict[str, int]:
    """Properties of the run; those whose first ending stands for the day nobody said; those with neither."""
    standing = Heater.objects.filter(position__building__property=OuterRef("pk"))
    mine = Property.objects.filter(Exists(standing), organisation_id=run.organisation_id)
    unsaid = mine.filter(records_since=None)
    ended = Heater.objects.filter(position__building__property__in=unsaid, removed_earliest__lte=run.as_of)
    since_ending = ended.values("position__building__property_id").distinct().order_by().count()
    return {
        "properties": mine.count(),
        "since_ending": since_ending,
        "nothing": unsaid.count() - since_ending,
    }

"""Where it is said since when endings are on record, and what a forecast leaves unheard where it is not."""

from __future__ import annotations

from django.db.models import Exists, OuterRef

from fleet.estate.models import Property
from fleet.heaters.models import Heater
from fleet.planning.models import ForecastRun


def watching(run: ForecastRun) -> dict[str, int]:
    """Properties of the run, those where nobody said it, and the endings on record there, which are not heard."""
    standing = Heater.objects.filter(position__building__property=OuterRef("pk"))
    mine = Property.objects.filter(Exists(standing), organisation_id=run.organisation_id)
    unsaid = mine.filter(records_since=None)
    ended = Heater.objects.filter(position__building__property__in=unsaid, removed_earliest__lte=run.as_of)
    return {"properties": mine.count(), "unsaid": unsaid.count(), "endings": ended.order_by().count()}

"""Background entry point of the data-quality page."""

from __future__ import annotations

from datetime import date
from typing import Any

from fleet.estate.access import Need
from fleet.estate.background import Running, register

DATA_QUALITY = "data_quality"


@register(
    DATA_QUALITY,
    for_whom=Need.PLAN,
    name="What missing facts cost",
    does="Works out how much money each missing fact leaves uncertain, for the page What is missing.",
)
def data_quality(job: Running) -> Any:
    from fleet.heaters.quality import full_look
    from fleet.planning.chain import NothingToForecast
    from fleet.planning.prices import CostBookRefused

    as_of = date.fromisoformat(job.payload["as_of"])
    try:
        return full_look(job.row.organisation, as_of, job.report, job.cancelled).plain()
    except (NothingToForecast, CostBookRefused) as refusal:
        return {"refused": str(refusal)}  # trying again would change nothing

"""The first steps of an organisation: from nothing to a plan and a crew, each seen done in the record itself."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.estate.models import Job, Membership, Organisation, Property
from fleet.heaters.models import Heater
from fleet.heaters.quality_jobs import DATA_QUALITY
from fleet.pages.navigation import address
from fleet.planning.models import CostLine, ForecastRun


@dataclass(frozen=True)
class Step:
    title: str
    words: str
    link: str
    link_words: str
    done: bool


def of(organisation: Organisation) -> list[Step]:
    """The steps in order; an empty list once all are done."""
    mine = {"organisation": organisation}
    steps = [
        Step(
            "Bring your heaters",
            "A spreadsheet with one heater a row, in your own words. You see what was understood before anything is "
            "taken. To look round first, stop the program and start it with --demo and another data folder.",
            address("heaters:import_start"),
            "Import a file",
            Heater.objects.filter(**mine).exists(),
        ),
        Step(
            "Say since when every ending is on record",
            "Heaters that failed and are no longer in your list make the others look long-lived. Give each property the "
            "day from which on each one that left service is in the record, or all of them the same.",
            address("pages:say_records_since"),
            "Say it",
            Heater.objects.filter(**mine).exists()
            and not Property.objects.filter(records_since=None, **mine).exists(),
        ),
        Step(
            "Make the first forecast",
            "It reads the record, begins with published lifetimes where yours says little, and takes about a minute.",
            address("planning:plan"),
            "To the plan",
            ForecastRun.objects.filter(state=ForecastRun.State.DONE, **mine).exists(),
        ),
        Step(
            "See what is missing",
            "Some unknown facts cost more certainty than others. The list begins with the dearest.",
            address("heaters_export:data_quality"),
            "What is missing",
            Job.objects.filter(kind=DATA_QUALITY, state=Job.State.DONE, **mine).exists(),
        ),
        Step(
            "Put in your prices",
            "Until you do, the money stands on illustrations, marked as such.",
            address("planning:cost_book"),
            "Open the cost book",
            CostLine.objects.filter(**mine).exclude(status=CostLine.Status.ILLUSTRATION).exists(),
        ),
        Step(
            "Invite the crew",
            "They get the work by building, with cautions before steps, on their phones.",
            address("estate:people"),
            "People",
            Membership.objects.filter(**mine).count() > 1,
        ),
    ]
    return [] if all(step.done for step in steps) else steps

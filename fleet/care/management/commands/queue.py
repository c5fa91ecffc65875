"""Print what is due, building by building, with the reason for each task."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.care import selectors, services
from fleet.care.selectors import BuildingQueue
from fleet.estate.acting import Acting
from fleet.estate.calendar import today_of
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.models import Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.pages.words import how_long


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Bring the tasks up to date and print the work queue by building."

    def add_arguments(self, parser: ArgumentParser) -> None:
        add_organisation_argument(parser)
        parser.add_argument("--days", type=int, default=60, help="how far ahead to look (default 60)")
        parser.add_argument("--as-of", metavar="DATE", help="the day to stand on, such as 2026-11-25")
        parser.add_argument("--property", metavar="NAME", default="", help="one property only")
        parser.add_argument("--json", action="store_true", help="print as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        if not 0 <= options["days"] <= 3650:
            raise CommandError(f"--days {options['days']} cannot be; 0 to 3650 can.")
        as_of = self._day(options["as_of"])
        organisation = organisation_from(options)
        with scoped(scope_of_organisation(organisation)):
            properties = Property.objects.order_by("name")
            name = options["property"]
            chosen = list(properties.filter(name=name)) if name else None
            if chosen == []:
                known = ", ".join(properties.values_list("name", flat=True)) or "none yet"
                raise CommandError(f"There is no property called {name!r}. Known: {known}.")
            services.roll_forward(organisation, as_of)
            today = as_of or today_of(organisation, chosen[0] if chosen else properties.first())
            numbers = None if chosen is None else [place.pk for place in chosen]
            queues = selectors.due_by_building(today, options["days"], numbers)
            self._print(queues, today, options)

    @staticmethod
    def _day(text: str | None) -> date | None:
        try:
            return date.fromisoformat(text) if text else None
        except ValueError as error:
            raise CommandError(f"--as-of {text!r} is not a day. Right would be 2026-11-25.") from error

    def _print(self, queues: list[BuildingQueue], today: date, options: dict[str, Any]) -> None:
        if options["json"]:
            self.stdout.write(json.dumps(as_data(queues, today, options["days"]), indent=2))
            return
        if not queues:
            self.stdout.write(f"Nothing is due within {options['days']} days of {today}.")
        for queue in queues:
            place = f"{queue.building.property.name}, {queue.building.name}"
            head = f"{place}: {len(queue.tasks)} tasks, about {how_long(queue.minutes)}"
            self.stdout.write(head + (f", {queue.late} late" if queue.late else ""))
            for task in queue.tasks:
                self.stdout.write(
                    f"  {task.due_on}  {task.heater.tag:<14} {task.task_kind.name}. {task.reason}"
                )
                if task.caution:
                    self.stdout.write(f"              CAUTION  {task.caution}")
        self.stdout.write("Local code and licensed practice come first; each task's page shows its cautions.")


def as_data(queues: list[BuildingQueue], today: date, days: int) -> dict[str, Any]:
    return {
        "as_of": today.isoformat(),
        "horizon_days": days,
        "buildings": [
            {
                "property": queue.building.property.name,
                "building": queue.building.name,
                "minutes": queue.minutes,
                "late": queue.late,
                "tasks": [
                    {
                        "task": task.pk,
                        "heater": task.heater.tag,
                        "kind": task.kind,
                        "name": task.task_kind.name,
                        "due_on": task.due_on.isoformat(),
                        "rule": task.rule,
                        "why": task.reason,
                        "caution": task.caution,
                        "minutes": task.task_kind.minutes,
                        "worker": task.task_kind.worker,
                    }
                    for task in queue.tasks
                ],
            }
            for queue in queues
        ],
    }

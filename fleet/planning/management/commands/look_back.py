"""manage.py look_back: a plan's last finished fiscal year against what happened; kept in the record."""

from __future__ import annotations

from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "Compares a plan's last finished fiscal year with what happened, per property, and keeps it."

    def add_arguments(self, parser: Any) -> None:
        add_organisation_argument(parser)
        parser.add_argument(
            "--plan", type=int, metavar="NUMBER", help="number of the plan (default: the last)"
        )
        parser.add_argument(
            "--as-of",
            metavar="DAY",
            help="make the plan that the record of that day would have given, and look back at it",
        )
        parser.add_argument("--cap", metavar="AMOUNT", help="yearly cap of the plan made with --as-of")

    def handle(self, *args: Any, **options: Any) -> None:
        from fleet.planning import reviews
        from fleet.planning.capital import CapitalRefused

        organisation = organisation_from(options)
        with scoped(scope_of_organisation(organisation, actor="manage.py look_back")):
            try:
                review = reviews.look_back(self._plan(organisation, options))
            except (reviews.ReviewRefused, CapitalRefused) as refusal:
                raise CommandError(str(refusal)) from refusal
            self.stdout.write("\n".join(_printed(review)))

    def _plan(self, organisation: Any, options: dict[str, Any]) -> Any:
        from fleet.planning.capital import latest_capital_plan, make_capital_plan
        from fleet.planning.capital_rows import CapitalPlan
        from fleet.planning.chain import NothingToForecast
        from fleet.planning.services import CostBookRefused, RunRefused, open_run, run_forecast

        if options["as_of"]:
            try:
                day, cap = date.fromisoformat(options["as_of"]), Decimal(options["cap"] or "")
            except (ValueError, InvalidOperation):
                raise CommandError("Give --as-of as 2025-01-01 and with it --cap as 40000.") from None
            try:
                run = run_forecast(open_run(organisation, day))
            except (RunRefused, NothingToForecast, CostBookRefused) as refusal:
                raise CommandError(str(refusal)) from refusal
            return make_capital_plan(organisation, run, cap=cap)
        if options["plan"]:
            plan = CapitalPlan.objects.filter(pk=options["plan"]).first()
        else:
            plan = latest_capital_plan(organisation.pk)
        if plan is None:
            raise CommandError(
                "There is no such capital plan; run `manage.py capital_plan --cap AMOUNT` first."
            )
        return plan


def _printed(review: Any) -> list[str]:
    from fleet.planning import reviews
    from fleet.planning.printed import aligned

    rows = [*reviews.rows_shown(review), {"property": "all", **reviews.totals(review)}]
    return [
        f"{review}, plan from the forecast as of {review.content['as_of']}, {review.content['currency']}",
        "",
        *aligned(
            ["property", *(name.replace("_", " ") for name in (*reviews.COUNTS, *reviews.MONEY))],
            [
                [
                    row["property"],
                    *(str(row[name]) for name in reviews.COUNTS),
                    *(f"{row[name]:,.2f}" for name in reviews.MONEY),
                ]
                for row in rows
            ],
        ),
    ]

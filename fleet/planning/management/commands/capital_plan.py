"""manage.py capital_plan: which heater in which year under a yearly cap, from the forecast in use."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped


def _amount(written: str, what: str) -> Decimal:
    try:
        return Decimal(written.replace(",", "").replace("$", ""))
    except InvalidOperation:
        raise CommandError(f"{what}: '{written}' is not an amount; write for instance 40000.") from None


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = (
        "Chooses which heaters to replace in which fiscal year under a yearly cap, and compares plain ways."
    )

    def add_arguments(self, parser: Any) -> None:
        add_organisation_argument(parser)
        parser.add_argument(
            "--cap", required=True, metavar="AMOUNT", help="money for planned work a fiscal year"
        )
        parser.add_argument("--years", type=int, help="whole fiscal years (default: those of the forecast)")
        parser.add_argument("--crew", type=int, help="heaters the crew can do a year")
        parser.add_argument(
            "--visit", default="0", metavar="AMOUNT", help="saved for a further heater of a building"
        )
        parser.add_argument("--must", action="append", default=[], metavar="TAG")
        parser.add_argument("--must-not", action="append", default=[], metavar="TAG")
        parser.add_argument(
            "--reserve", default="0", metavar="AMOUNT", help="money in the reserve fund today"
        )
        parser.add_argument("--shortfall-limit", default="0.1", metavar="CHANCE")
        parser.add_argument(
            "--contribution",
            metavar="AMOUNT",
            help="paid into the fund a year (default: what the limit needs)",
        )
        parser.add_argument("--interest", default="2", metavar="PERCENT", help="of the fund, a year")
        parser.add_argument(
            "--other-draws", default="0", metavar="AMOUNT", help="other money the fund pays a year"
        )
        parser.add_argument(
            "--property-cap",
            action="append",
            default=[],
            metavar="NAME=AMOUNT",
            help="cap of one property a fiscal year",
        )
        parser.add_argument("--age", type=int, default=12, help="age to compare with (default 12)")
        parser.add_argument(
            "--compare",
            action="store_true",
            help="beside run to failure, an age, more care, softening and a year later",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        from fleet.planning import capital, capital_printed, selectors

        organisation = organisation_from(options)
        with scoped(scope_of_organisation(organisation, actor="manage.py capital_plan")):
            run = selectors.latest_run(organisation.pk)
            if run is None:
                raise CommandError("There is no forecast yet; run `manage.py plan` first.")
            try:
                plan = capital.make_capital_plan(
                    organisation,
                    run,
                    cap=_amount(options["cap"], "--cap"),
                    horizon_years=options["years"],
                    crew=options["crew"],
                    visit_cost=_amount(options["visit"], "--visit"),
                    must=capital.heaters_by_tag(options["must"]),
                    must_not=capital.heaters_by_tag(options["must_not"]),
                    opening_balance=_amount(options["reserve"], "--reserve"),
                    shortfall_limit=_amount(options["shortfall_limit"], "--shortfall-limit"),
                    contribution=_amount(options["contribution"], "--contribution")
                    if options["contribution"]
                    else None,
                    interest=_amount(options["interest"].rstrip("% "), "--interest") / 100,
                    other_draws=_amount(options["other_draws"], "--other-draws"),
                    property_caps=capital.caps_by_name(options["property_cap"]),
                    compare_age_years=options["age"],
                )
            except capital.CapitalRefused as refusal:
                raise CommandError(str(refusal)) from refusal
            self.stdout.write("\n".join(capital_printed.printed(plan, options["compare"])))

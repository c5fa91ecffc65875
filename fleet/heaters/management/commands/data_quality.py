from __future__ import annotations

import json
from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.calendar import today_of
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.quality import Quality, full_look, quick_look


def a_day(words: str) -> date:
    try:
        return date.fromisoformat(words)
    except ValueError:
        raise CommandError(f"--as-of {words!r} is not a day; write for instance 2026-11-01.") from None


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = "What the record lacks, ranked by how much knowing it would narrow the plan."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--quick", action="store_true", help="rank by counts and effects, without a forecast"
        )
        parser.add_argument("--as-of", metavar="DATE")
        parser.add_argument("--json", action="store_true")
        add_organisation_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        organisation = organisation_from(options)
        as_of = a_day(options["as_of"]) if options["as_of"] else today_of(organisation)
        with scoped(scope_of_organisation(organisation, actor="data_quality")):
            quality = self._look(organisation, as_of, options["quick"])
        if options["json"]:
            self.stdout.write(json.dumps(quality.plain(), indent=2))
        else:
            self._show(quality)

    def _look(self, organisation: Any, as_of: date, quick: bool) -> Quality:
        from fleet.planning.chain import NothingToForecast
        from fleet.planning.prices import CostBookRefused

        if quick:
            return quick_look(organisation, as_of)
        try:
            return full_look(organisation, as_of, lambda fraction, words: None, lambda: False)
        except (NothingToForecast, CostBookRefused) as refusal:
            raise CommandError(str(refusal)) from refusal

    def _show(self, quality: Quality) -> None:
        self.stdout.write(f"{quality.heaters_in_service:,} heaters in service, record of {quality.as_of}.")
        if quality.computed:
            self.stdout.write(
                f"Spread (standard deviation) of ten years' failure costs: {quality.spread_now:,.0f} {quality.currency}."
            )
        money = f"{'causes':>12}{'narrower by':>13}" if quality.computed else ""
        self.stdout.write(f"{'missing':<42}{'heaters':>8}{'to answer':>16}{money}")
        for gap in quality.gaps:
            answer = f"{gap.answers_needed:,} {gap.answered_by}{'' if gap.answers_needed == 1 else 's'}"
            money = f"{gap.causes:>12,.0f}{gap.narrows:>13,.0f}" if quality.computed else ""
            self.stdout.write(f"{gap.missing:<42}{gap.heaters:>8,}{answer:>16}{money}")
        for words in quality.other:
            self.stdout.write(f"- {words}")

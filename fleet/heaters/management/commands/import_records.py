"""Import a messy spreadsheet of heaters, past service and water tests; without --accept only a preview."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import date
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.estate.acting import Acting
from fleet.estate.calendar import today_of
from fleet.estate.commands import add_organisation_argument, organisation_from
from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters import services
from fleet.heaters.headings import KINDS, Match, fields_of, plain
from fleet.heaters.import_rows import ImportBatch
from fleet.heaters.importing import Comparison, UnansweredQuestion, columns_of
from fleet.heaters.refused import write_refused
from fleet.heaters.workbook import MAX_BYTES, UnreadableFile

SHOWN = 20


class Command(BaseCommand):
    for_whom = Acting.ORGANISATION
    help = (
        "Read a CSV, XLSX or ODS of heaters, service or water tests; show what it would change; take it in."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        add_organisation_argument(parser)
        parser.add_argument(
            "--date-order", choices=("mdy", "dmy"), default="", help="3/4/15: month or day first"
        )
        parser.add_argument(
            "--all-or-nothing", action="store_true", help="Import nothing if any row is refused"
        )
        parser.add_argument(
            "--accept", action="store_true", help="Take the rows in; without it only a preview"
        )
        parser.add_argument("--refused", type=Path, metavar="FILE", help="Write the refused rows to this CSV")
        parser.add_argument(
            "--map",
            action="append",
            default=[],
            metavar="HEADING=FIELD",
            help="What a column is; FIELD:UNIT for a unit",
        )
        parser.add_argument("--encoding", default="", help="Encoding of a CSV, when it cannot be told")
        parser.add_argument(
            "--as-of", type=date.fromisoformat, help="Day the file speaks from (for ages); else today"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        organisation = organisation_from(options)
        path: Path = options["file"]
        try:
            if path.stat().st_size > MAX_BYTES:
                raise CommandError(f"{path.name} is larger than {MAX_BYTES // 2**20} MB. Send it in parts.")
            content = path.read_bytes()
        except OSError as error:
            raise CommandError(f"{path} cannot be read: {error.strerror}.") from error
        with scoped(scope_of_organisation(organisation, actor="import_records")):
            try:
                self._run(content, path.name, organisation, options)
            except (UnreadableFile, UnansweredQuestion, services.NothingTaken) as error:
                raise CommandError(str(error)) from error

    def _run(
        self, content: bytes, file_name: str, organisation: Organisation, options: dict[str, Any]
    ) -> None:
        pairs = _pairs(options["map"])
        batch = services.keep_file(content, file_name, organisation.pk, options["encoding"], pairs)
        _check_pairs(batch, pairs)
        services.mend_columns(batch, columns_of(batch), options["date_order"])
        as_of = options["as_of"] or today_of(organisation)
        comparison = services.preview(batch, as_of)
        self._show(batch, comparison)
        if options["refused"] and comparison.refusals:
            try:
                written = write_refused(comparison, options["refused"])
            except OSError as error:
                raise CommandError(f"{options['refused']} cannot be written: {error.strerror}.") from error
            self.stdout.write("Refused rows written to " + ", ".join(map(str, written)))
        if comparison.questions:
            raise UnansweredQuestion(comparison.questions)
        if not options["accept"]:
            self.stdout.write(
                "Nothing was imported yet: this is a preview. Add --accept to take the rows in."
            )
            return
        taken = services.accept(batch, as_of, options["all_or_nothing"])
        self.stdout.write(f"Imported: {_counts(taken.counts)}.")

    def _show(self, batch: ImportBatch, comparison: Comparison) -> None:
        for sheet, matches in columns_of(batch).items():
            kind = matches.get("", "")
            self.stdout.write(f"Sheet '{sheet}': " + (kind or "left out, it is none of the sheets we know"))
            for heading, name in matches.items():
                if heading:
                    self.stdout.write(f"    {heading} -> {name or '(left out)'}")
        for sheet, counts in comparison.counts_by_sheet.items():
            self.stdout.write(f"Sheet '{sheet}': {_counts(counts)}")
        for title, remarks in (("Refused", comparison.refusals), ("Look twice", comparison.warnings)):
            for remark in remarks[:SHOWN]:
                self.stdout.write(f"{title}: {remark}")
            if len(remarks) > SHOWN:
                self.stdout.write(f"{title}: and {len(remarks) - SHOWN} more")


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{count:,} {name}" for name, count in counts.items())


def _pairs(written: list[str]) -> dict[str, str]:
    pairs = {}
    known = {name for kind in KINDS for name in fields_of(kind)}
    for pair in written:
        heading, separator, name = pair.rpartition("=")
        if not separator:
            raise CommandError(f"--map '{pair}': write HEADING=FIELD.")
        field = Match.written(name).field
        if field and field not in known:
            raise CommandError(
                f"--map '{pair}': '{field}' is not a field. Fields: {', '.join(sorted(known))}."
            )
        pairs[heading.strip()] = name
    return pairs


def _check_pairs(batch: ImportBatch, pairs: dict[str, str]) -> None:
    own = {plain(heading) for matches in columns_of(batch).values() for heading in matches if heading}
    for heading in pairs:
        if plain(heading) not in own:
            raise CommandError(
                f"--map: no sheet has a column '{heading}'. Columns: {', '.join(sorted(own))}."
            )

"""Shapes of imports, jobs, history and changes."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.care_shapes import FINDINGS, TASKS, UNSAFE, VISITS
from api.estate import BUILDINGS, POSITIONS, PROPERTIES, within
from api.feed_triggers import WATCHED
from api.heaters import HEATERS, SERVICES, WATER_TESTS
from api.rows import Computed, Filter, Rows
from api.shapes import Given, Shown, StrictChoice, StrictText, StrictYes, number
from fleet.estate.models import HistoryEntry, Job
from fleet.heaters.models import ImportBatch

BY_KIND: dict[str, Rows] = {
    "properties": PROPERTIES,
    "buildings": BUILDINGS,
    "positions": POSITIONS,
    "heaters": HEATERS,
    "service_records": SERVICES,
    "water_tests": WATER_TESTS,
    "visits": VISITS,
    "tasks": TASKS,
    "findings": FINDINGS,
    "unsafe_findings": UNSAFE,
}
SHEET_KINDS = ("", "heaters", "properties", "service", "water")


class ImportShown(Shown):
    job_id = number(nullable=True)
    columns = serializers.JSONField(
        read_only=True, help_text="Sheet, its kind and its headings with their fields"
    )
    preview = serializers.JSONField(read_only=True, help_text="Counts a sheet, refusals, warnings, questions")
    counts = serializers.JSONField(read_only=True, help_text="Rows new, changed, same, refused")

    class Meta:
        model = ImportBatch
        fields = ("id", "file_name", "sha256", "size_bytes", "columns", "date_order", "all_or_nothing", "state",
                  "preview", "counts", "job_id", "created_at")  # fmt: skip


def _columns(kept: dict[str, Any]) -> list[dict[str, Any]]:
    """As PATCH takes them: one entry a sheet."""
    found = []
    for sheet, pairs in kept.get("sheets", []):
        headings = dict(pairs)
        found.append({"sheet": sheet, "kind": headings.pop("", ""), "headings": headings})
    return found


IMPORTS = Rows(
    "ImportBatch",
    ImportShown,
    lambda: ImportBatch.objects.all(),
    {"state": Filter("state", serializers.ChoiceField(choices=ImportBatch.State.choices), "In this state.")},
    {"columns": Computed(("columns",), _columns)},
    newest_first=True,
)


class ImportGiven(Given):
    file = serializers.FileField(help_text="CSV, XLSX or ODS, one heater, service or test a row")
    date_order = StrictChoice(
        choices=["mdy", "dmy"], required=False, help_text="Which comes first in dates such as 3/4/15"
    )
    encoding = StrictText(
        required=False, max_length=40, help_text="Of a text file, where it cannot be guessed"
    )


class SheetColumns(Given):
    sheet = StrictText(max_length=200)
    kind = StrictChoice(choices=SHEET_KINDS, required=False, help_text="Empty: left out")
    headings = serializers.DictField(
        child=StrictText(allow_blank=True, max_length=100),
        required=False,
        help_text="Heading -> field; empty: left out",
    )


class ColumnsGiven(Given):
    columns = SheetColumns(many=True, required=False)
    date_order = StrictChoice(choices=["mdy", "dmy"], required=False)


class Accepted(Given):
    all_or_nothing = StrictYes(required=False, help_text="Take nothing if any row was refused")


class JobShown(Shown):
    result = serializers.JSONField(read_only=True, allow_null=True)
    fraction = serializers.FloatField(read_only=True, help_text="How far it is, 0 to 1")

    class Meta:
        model = Job
        fields = ("id", "kind", "state", "fraction", "words", "attempts", "result", "error", "run_after", "created_at",
                  "finished_at")  # fmt: skip


JOBS = Rows(
    "Job",
    JobShown,
    lambda: Job.objects.all(),
    {
        "state": Filter("state", serializers.ChoiceField(choices=Job.State.choices), "In this state."),
        "kind": Filter("kind", serializers.CharField(max_length=60), "Of this kind."),
    },
    newest_first=True,
)


class HistoryShown(Shown):
    property_id = number(nullable=True)
    person_id = number(nullable=True)
    changes = serializers.JSONField(read_only=True, help_text="Field -> [before, after]")

    class Meta:
        model = HistoryEntry
        fields = ("id", "at", "property_id", "person_id", "actor", "verb", "subject_kind", "subject_id",
                  "subject_label", "changes", "reason")  # fmt: skip


HISTORY = Rows(
    "HistoryEntry",
    HistoryShown,
    lambda: HistoryEntry.objects.all(),
    {
        "property_id": within("property_id", "At this property."),
        "subject_kind": Filter("subject_kind", serializers.CharField(max_length=40), "Of this kind of row."),
        "subject_id": within("subject_id", "Of this row."),
        "since": Filter("at__gte", serializers.DateTimeField(), "At or after."),
    },
    newest_first=True,
)


class Change(serializers.Serializer):
    kind = serializers.ChoiceField(choices=[watched.kind for watched in WATCHED])
    id = serializers.IntegerField()
    gone = serializers.BooleanField(help_text="No longer there, or no longer in your sight")
    row = serializers.JSONField(
        allow_null=True, help_text="The row as its own address writes it; null where gone"
    )


class Changes(serializers.Serializer):
    items = Change(many=True)
    cursor = serializers.CharField()
    more = serializers.BooleanField()


class QualityShown(serializers.Serializer):
    look = serializers.JSONField()
    computed = serializers.JSONField(allow_null=True)

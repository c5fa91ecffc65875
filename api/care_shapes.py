"""Shapes of the work."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from rest_framework import serializers

from api.estate import within
from api.rows import Computed, Filter, Rows
from api.shapes import (
    Given,
    Shown,
    StrictDay,
    StrictMoment,
    StrictText,
    StrictWhole,
    StrictYes,
    names_of,
    number,
    text,
)
from fleet.care.kinds import TaskKind, task_kinds
from fleet.care.models import Finding, LeakReport, Task, UnsafeFinding, Visit

OF_HEATER = within("heater_id", "Of this heater.")
AT_PROPERTY = within("heater__position__building__property_id", "At this property.")
IN_BUILDING = within("heater__position__building_id", "In this building.")


class AtHeater(Shown):
    property_id = number("heater.position.building.property_id")
    property_name = text("heater.position.building.property.name")
    building_id = number("heater.position.building_id")
    building_name = text("heater.position.building.name")
    position_label = text("heater.position.label")
    heater_id = number()
    heater_tag = text("heater.tag")


PLACE = (
    "property_id",
    "property_name",
    "building_id",
    "building_name",
    "position_label",
    "heater_id",
    "heater_tag",
)


class TaskShown(AtHeater):
    kind_name = serializers.CharField(read_only=True)
    opens_on = serializers.DateField(read_only=True, help_text="First day of its window")
    closes_on = serializers.DateField(read_only=True, help_text="Last day of its window")
    minutes = serializers.IntegerField(read_only=True, help_text="Usual length of the work")
    visit_id = number(nullable=True)

    class Meta:
        model = Task
        fields = ("id", *PLACE, "kind", "kind_name", "cycle", "due_on", "opens_on", "closes_on", "window_days",
                  "minutes", "state", "rule", "reason", "caution", "overridden", "promised_by", "promised_words",
                  "stopped", "closed_on", "closed_because", "visit_id")  # fmt: skip


def _of_kind(code: str) -> TaskKind | None:
    return task_kinds().get(code)


def _promised(rows: Any, wanted: bool) -> Any:
    return rows.filter(promised_by__isnull=not wanted)


TASKS = Rows(
    "Task",
    TaskShown,
    lambda: Task.objects.all(),
    {
        "heater_id": OF_HEATER,
        "property_id": AT_PROPERTY,
        "building_id": IN_BUILDING,
        "visit_id": within("visit_id", "Of this visit."),
        "state": Filter("state", serializers.ChoiceField(choices=Task.State.choices), "In this state."),
        "kind": Filter("kind", serializers.CharField(max_length=40), "Of this kind."),
        "due_by": Filter("due_on__lte", serializers.DateField(), "Due by this day."),
        "promised": Filter(_promised, serializers.BooleanField(), "Promised by a contract, or not."),
        "closed_since": Filter("closed_on__gte", serializers.DateField(), "Closed on this day or later."),
    },
    {
        "kind_name": Computed(("kind",), lambda code: kind.name if (kind := _of_kind(code)) else code),
        "minutes": Computed(("kind",), lambda code: kind.minutes if (kind := _of_kind(code)) else 0),
        "opens_on": Computed(("due_on", "window_days"), lambda day, days: day - timedelta(days=days)),
        "closes_on": Computed(("due_on", "window_days"), lambda day, days: day + timedelta(days=days)),
    },
)


class FindingShown(Shown):
    task_id = number()
    heater_id = number()

    class Meta:
        model = Finding
        fields = ("id", "task_id", "heater_id", "name", "number", "words", "unit", "unsafe", "seen_at")


FINDINGS = Rows(
    "Finding",
    FindingShown,
    lambda: Finding.objects.all(),
    {
        "heater_id": OF_HEATER,
        "property_id": AT_PROPERTY,
        "task_id": within("task_id", "Of this task."),
        "name": Filter("name", serializers.CharField(max_length=60), "Of this name."),
        "seen_since": Filter("seen_at__gte", serializers.DateTimeField(), "Seen at or after."),
    },
)


class UnsafeShown(AtHeater):
    task_id = number(nullable=True)

    class Meta:
        model = UnsafeFinding
        fields = ("id", *PLACE, "task_id", "what", "seen_at", "follow_up", "follow_up_by", "closed_at")


def _open(lookup: str) -> Filter:
    return Filter(lookup, serializers.BooleanField(), "Still open, or closed.")


UNSAFE = Rows(
    "UnsafeFinding",
    UnsafeShown,
    lambda: UnsafeFinding.objects.all(),
    {
        "heater_id": OF_HEATER,
        "property_id": AT_PROPERTY,
        "building_id": IN_BUILDING,
        "open": _open("closed_at__isnull"),
    },
)


class LeakShown(AtHeater):
    class Meta:
        model = LeakReport
        fields = ("id", *PLACE, "words", "reported_at", "answered_at", "answer")


LEAKS = Rows(
    "LeakReport",
    LeakShown,
    lambda: LeakReport.objects.all(),
    {"heater_id": OF_HEATER, "property_id": AT_PROPERTY, "open": _open("answered_at__isnull")},
)


class VisitShown(Shown):
    team_id = number(nullable=True)
    building_id = number()
    building_name = text("building.name")
    property_id = number("building.property_id")
    property_name = text("building.property.name")

    class Meta:
        model = Visit
        fields = ("id", "property_id", "property_name", "building_id", "building_name", "day", "crew", "team_id", "place_in_day", "note",
                  "by_hand", "started_at", "ended_at")  # fmt: skip


VISITS = Rows(
    "Visit",
    VisitShown,
    lambda: Visit.objects.all(),
    {
        "property_id": within("building__property_id", "At this property."),
        "building_id": within("building_id", "In this building."),
        "from_day": Filter("day__gte", serializers.DateField(), "On this day or later."),
        "to_day": Filter("day__lte", serializers.DateField(), "On this day or earlier."),
    },
)


class FindingFieldShown(serializers.Serializer):
    name = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    type = serializers.ChoiceField(choices=["number", "choice", "text"])
    unit = serializers.CharField()
    low = serializers.FloatField(allow_null=True, help_text="Below it is refused")
    high = serializers.FloatField(allow_null=True, help_text="Above it is refused")
    usual_low = serializers.FloatField(allow_null=True, help_text="Below it is taken only with `sure`")
    usual_high = serializers.FloatField(allow_null=True, help_text="Above it is taken only with `sure`")
    choices = serializers.ListField(child=serializers.CharField())
    unsafe = serializers.ListField(child=serializers.CharField(), help_text="Choices that stop the task")
    unsafe_above = serializers.FloatField(allow_null=True)
    unsafe_below = serializers.FloatField(allow_null=True)
    required = serializers.BooleanField()  # type: ignore[assignment]


def _lines() -> serializers.Field:
    return serializers.ListField(child=serializers.CharField())


class TaskKindShown(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()
    interval_months = serializers.IntegerField()
    interval_source = serializers.CharField()
    worker = serializers.CharField(help_text="Who may do it, where the site says nothing else")
    minutes = serializers.IntegerField()
    window_days = serializers.IntegerField()
    isolation = _lines()
    hazards = _lines()
    protective_gear = _lines()
    stop_work = _lines()
    steps = _lines()
    parts = _lines()
    tools = _lines()
    findings = FindingFieldShown(many=True)
    notice = serializers.CharField(help_text="What these steps are not")


class TaskKindList(serializers.Serializer):
    items = TaskKindShown(many=True)
    next = serializers.CharField(allow_null=True)


NOTICE = (
    "Reminders for a competent person. They never replace the maker's instructions, the local code, or a licensed "
    "plumber, gas fitter or electrician."
)


def kind_row(kind: TaskKind) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for name in names_of(TaskKindShown):
        if name == "notice":
            row[name] = NOTICE
        elif name == "findings":
            row[name] = [
                {part: getattr(one, part) for part in names_of(FindingFieldShown)} for one in kind.findings
            ]
        else:
            row[name] = getattr(kind, name)
    return row


class DueBuilding(serializers.Serializer):
    building_id = serializers.IntegerField()
    building = serializers.CharField()
    property_id = serializers.IntegerField()
    property = serializers.CharField()
    tasks = serializers.IntegerField()
    late = serializers.IntegerField()
    minutes = serializers.IntegerField()
    earliest = serializers.DateField()


class Queue(serializers.Serializer):
    today = serializers.DateField()
    until = serializers.DateField()
    buildings = DueBuilding(many=True)


class Seen(serializers.Field):
    """One finding's value: a number or a text."""

    _spectacular_annotation = {"field": {"oneOf": [{"type": "number"}, {"type": "string", "maxLength": 500}]}}

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, bool) or not isinstance(data, str | int | float):
            raise serializers.ValidationError("A finding is a number or a text.")
        if (isinstance(data, str) and len(data) > 500) or (isinstance(data, int) and abs(data) > 2**53):
            raise serializers.ValidationError(
                "Too long: at most 500 letters, or a number that can be measured."
            )
        return data


class Completion(Given):
    findings = serializers.DictField(
        child=Seen(), help_text="Name of the finding -> number or text, see its task kind"
    )
    done_at = StrictMoment(required=False, help_text="When it was done; now, if not said")
    sure = StrictYes(required=False, help_text="Values beyond the usual range were looked at again and hold")
    note = StrictText(required=False, allow_blank=True, max_length=1000)


class CompletionOf(Completion):
    task_id = StrictWhole(min_value=1, max_value=2**53)


class Completed(serializers.Serializer):
    task = TaskShown()
    stopped = serializers.BooleanField(help_text="Stopped by an unsafe finding instead of closed")
    unsafe_findings = UnsafeShown(many=True)
    next_task = TaskShown(allow_null=True)


class Reasoned(Given):
    reason = StrictText(max_length=300)


class Moved(Given):
    due_on = StrictDay()
    reason = StrictText(max_length=300)


class UnsafeReport(Given):
    what = StrictText(max_length=300)
    seen_at = StrictMoment(required=False, help_text="Now, if not said")


class FollowUp(Given):
    follow_up = StrictText(max_length=500, help_text="What was done about it")
    follow_up_by = StrictText(max_length=200, help_text="Who did it, by name")


class LeakAnswer(Given):
    answer = StrictText(max_length=300)


class VisitMoved(Given):
    day = StrictDay()
    reason = StrictText(max_length=300)


class VisitsLaid(serializers.Serializer):
    visits = serializers.IntegerField()
    tasks = serializers.IntegerField()

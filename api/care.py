"""The work: what is due, done, left out, moved; what was found; what is unsafe."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path
from django.utils import timezone
from rest_framework import serializers

from api.care_shapes import (
    FINDINGS,
    LEAKS,
    TASKS,
    UNSAFE,
    Completed,
    Completion,
    CompletionOf,
    FollowUp,
    LeakAnswer,
    LeakShown,
    Moved,
    Queue,
    Reasoned,
    TaskKindList,
    TaskKindShown,
    TaskShown,
    UnsafeReport,
    UnsafeShown,
    kind_row,
)
from api.door import ApiView
from api.estate import property_asked
from api.operations import Asked, operation
from api.problems import Problem, pointed
from api.resources import BulkResult, bulk_shape, each, read_row
from api.rows import tag_of, written
from api.usual import listing, single
from fleet.care import labels, services
from fleet.care.due_list import due_list
from fleet.care.kinds import task_kinds
from fleet.care.models import LeakReport, Task, UnsafeFinding
from fleet.estate.access import Need
from fleet.estate.calendar import day_of, today_of


class TaskKindsView(ApiView):
    @operation(
        Need.READ, "Kinds of task with their cautions, steps and findings.", gives=TaskKindList, tag="tasks"
    )
    def get(self, request: Any) -> HttpResponse:
        return self.answer(
            {"items": [kind_row(kind) for _, kind in sorted(task_kinds().items())], "next": None}
        )


class TaskKindView(ApiView):
    @operation(
        Need.READ, "One kind of task: read its cautions before its steps.", gives=TaskKindShown, tag="tasks"
    )
    def get(self, request: Any, code: str) -> HttpResponse:
        kind = task_kinds().get(code)
        if kind is None:
            raise Http404
        return self.answer(kind_row(kind))


def _task(view: ApiView, pk: int) -> Task:
    if view.request.headers.get("If-Match"):
        view.held(TASKS, pk)
    rows = Task.objects.select_related(
        "heater__position__building__property", "heater__organisation", "organisation"
    )
    found: Task | None = rows.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def _complete(task: Task, given: dict[str, Any]) -> dict[str, Any]:
    at = given.get("done_at") or timezone.now()
    try:
        outcome = services.complete_task(
            task, given["findings"], at, sure=given.get("sure", False), note=given.get("note", "")
        )
    except services.CareRefused as refused:
        if not refused.problems:
            raise
        raise Problem("refused", str(refused), pointed(refused.problems, "/findings")) from refused
    following = Task.objects.filter(heater_id=task.heater_id, kind=task.kind, state="open").exclude(
        pk=task.pk
    )
    next_id = following.values_list("pk", flat=True).first()
    return {
        "task": TASKS.one(task.pk),
        "stopped": outcome.stopped,
        "unsafe_findings": [UNSAFE.one(row.pk) for row in outcome.unsafe],
        "next_task": TASKS.one(next_id) if next_id else None,
    }


class CompleteView(ApiView):
    @operation(
        Need.WORK, "Close a task with what was found. An unsafe finding stops it instead and raises an alert.",
        takes=Completion, gives=Completed, tag="tasks",
    )  # fmt: skip
    def post(self, request: Any, pk: int) -> HttpResponse:
        return self.answer(_complete(_task(self, pk), self.given))


class CompleteManyView(ApiView):
    @operation(
        Need.WORK, "Close many tasks, such as a day's work from a place without a signal; a result for each.",
        takes=bulk_shape("CompletionBulk", CompletionOf), gives=BulkResult, tag="tasks",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        def complete(row: Any) -> dict[str, Any]:
            given = read_row(CompletionOf, row, self)
            done = _complete(_task(self, given["task_id"]), given)
            return {"status": 200, "id": given["task_id"], "etag": tag_of(written(done["task"]))}

        return each(self, complete)


class SkipView(ApiView):
    @operation(
        Need.WORK, "Leave this round out, with the reason.", takes=Reasoned, gives=TaskShown, tag="tasks"
    )
    def post(self, request: Any, pk: int) -> HttpResponse:
        services.skip_task(_task(self, pk), self.given["reason"])
        return self.answer(TASKS.one(pk))


class MoveView(ApiView):
    @operation(
        Need.WORK, "Set the due day by hand, with the reason.", takes=Moved, gives=TaskShown, tag="tasks"
    )
    def post(self, request: Any, pk: int) -> HttpResponse:
        services.override_due(_task(self, pk), self.given["due_on"], self.given["reason"])
        return self.answer(TASKS.one(pk))


class ReportUnsafeView(ApiView):
    @operation(
        Need.WORK, "Stop a task for something unsafe that no field asks for.", takes=UnsafeReport,
        gives=UnsafeShown, status=201, tag="tasks",
    )  # fmt: skip
    def post(self, request: Any, pk: int) -> HttpResponse:
        at = self.given.get("seen_at") or timezone.now()
        alert = services.report_unsafe(_task(self, pk), self.given["what"], at)
        return self.made(UNSAFE, alert.pk, "/api/v1/unsafe-findings")


class CloseUnsafeView(ApiView):
    @operation(
        Need.PLAN, "Close an unsafe finding with what was done and by whom.", takes=FollowUp, gives=UnsafeShown,
        tag="unsafe-findings",
    )  # fmt: skip
    def post(self, request: Any, pk: int) -> HttpResponse:
        row = UnsafeFinding.objects.filter(pk=pk).first()
        if row is None:
            raise Http404
        services.close_unsafe(row, self.given["follow_up"], self.given["follow_up_by"], timezone.now())
        return self.answer(UNSAFE.one(pk))


class AnswerLeakView(ApiView):
    @operation(
        Need.WORK, "Say what was done about it.", takes=LeakAnswer, gives=LeakShown, tag="leak-reports"
    )
    def post(self, request: Any, pk: int) -> HttpResponse:
        row = LeakReport.objects.filter(pk=pk).first()
        if row is None:
            raise Http404
        labels.answer_leak(row, self.given["answer"], timezone.now())
        return self.answer(LEAKS.one(pk))


DAYS = Asked(serializers.IntegerField(min_value=0, max_value=3650), "Days ahead, 60 if not said.")
OF_PROPERTY = Asked(serializers.IntegerField(min_value=1, max_value=2**53), "Of this property.")


class QueueView(ApiView):
    @operation(
        Need.READ, "What is due, building by building, the longest waiting first. Tasks: /tasks?building_id=.",
        gives=Queue, asks={"days": DAYS, "property_id": OF_PROPERTY}, tag="tasks",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        chosen = property_asked(self)
        organisation = self.caller.organisation
        today = today_of(organisation, chosen) if chosen else day_of(organisation)
        days = self.asked.get("days", 60)
        counts = due_list(today, days, [chosen.pk] if chosen else None)
        rows = [row.__dict__ for row in counts[0:]]
        return self.answer({"today": today, "until": today + timedelta(days=days), "buildings": rows})


urlpatterns = [
    path("task-kinds", TaskKindsView.as_view(), name="task_kinds"),
    path("task-kinds/<slug:code>", TaskKindView.as_view(), name="task_kinds_one"),
    path("queue", QueueView.as_view(), name="queue"),
    path("tasks", listing(TASKS, "Tasks", "tasks"), name="tasks"),
    path("tasks/complete", CompleteManyView.as_view(), name="tasks_complete_many"),
    path("tasks/<number:pk>", single(TASKS, "One task", "tasks"), name="tasks_one"),
    path("tasks/<number:pk>/complete", CompleteView.as_view(), name="tasks_complete"),
    path("tasks/<number:pk>/skip", SkipView.as_view(), name="tasks_skip"),
    path("tasks/<number:pk>/move", MoveView.as_view(), name="tasks_move"),
    path("tasks/<number:pk>/report-unsafe", ReportUnsafeView.as_view(), name="tasks_unsafe"),
    path("findings", listing(FINDINGS, "What was found", "findings"), name="findings"),
    path("findings/<number:pk>", single(FINDINGS, "One finding", "findings"), name="findings_one"),
    path("unsafe-findings", listing(UNSAFE, "Unsafe findings", "unsafe-findings"), name="unsafe_findings"),
    path(
        "unsafe-findings/<number:pk>",
        single(UNSAFE, "One unsafe finding", "unsafe-findings"),
        name="unsafe_one",
    ),
    path("unsafe-findings/<number:pk>/close", CloseUnsafeView.as_view(), name="unsafe_close"),
    path("leak-reports", listing(LEAKS, "Leaks reported from labels", "leak-reports"), name="leaks"),
    path("leak-reports/<number:pk>", single(LEAKS, "One leak report", "leak-reports"), name="leaks_one"),
    path("leak-reports/<number:pk>/answer", AnswerLeakView.as_view(), name="leaks_answer"),
]

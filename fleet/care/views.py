"""The crew's pages: the queue, a building, a heater, a task. No decisions here: rules and services make them."""

from __future__ import annotations

from datetime import date
from typing import Any, cast

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.care import asking, facts, photos, selectors, services, sheets
from fleet.care.due_list import due_list
from fleet.care.kinds import task_kinds
from fleet.care.licences import refusal_for
from fleet.care.models import LeakReport, Task, UnsafeFinding
from fleet.care.risks import priorities
from fleet.care.rules import decide
from fleet.care.shut_off import shut_off_steps
from fleet.care.sum_rows import HORIZONS
from fleet.estate.access import MemberRequest, Need, may, needs_at, page
from fleet.estate.calendar import day_of, today_of
from fleet.estate.choosing import which
from fleet.estate.models import Building, Organisation
from fleet.estate.row_numbers import row_number
from fleet.heaters.models import Heater

PER_LEAF = 10
ROWS_SHOWN = 5
TASKS_A_LEAF = 100


def _horizon(request: HttpRequest) -> int:
    asked = request.GET.get("days", "")
    return min(row_number(asked), 3650) if asked else 60


@page(Need.READ)
@require_GET
def queue(request: HttpRequest) -> HttpResponse:
    """What is due, building by building, the longest waiting first."""
    organisation = cast(MemberRequest, request).organisation
    days = _horizon(request)
    asked = which(request.GET)
    today = day_of(organisation, asked.chosen)
    counts = due_list(today, days, asked.ids)
    leaf = Paginator(cast(Any, counts), PER_LEAF).get_page(request.GET.get("page"))
    first = selectors.first_due(today, days, [row.building_id for row in leaf], ROWS_SHOWN)
    shown = [task.heater_id for tasks in first.values() for task in tasks]
    values = {
        "is_company": organisation.kind == Organisation.Kind.COMPANY,
        "out_of_service": selectors.out_of_service(shown),
        "leaf": leaf,
        "queues": [{"count": row, "tasks": first[row.building_id]} for row in leaf if first[row.building_id]],
        "today": today,
        "days": days,
        "horizons": HORIZONS,
        "which": asked,
        "tasks": counts.tasks,
        "late": counts.late,
        "minutes": counts.minutes,
        "alerts": selectors.open_unsafe().count(),
        "waiting": selectors.waiting_entries().count(),
        "may_work": may(request, Need.WORK),
    }
    return render(request, "care/queue.html", values)


@page(Need.READ)
@require_GET
def building(request: HttpRequest, pk: int) -> HttpResponse:
    """One building's whole queue."""
    row: Building = get_object_or_404(Building.objects.select_related("property__organisation"), pk=pk)
    today = today_of(row.property.organisation, row.property)
    days = _horizon(request)
    queues = selectors.due_by_building(today, days, building_ids=[pk])
    queue = queues[0] if queues else None
    leaf = Paginator(queue.tasks if queue else [], TASKS_A_LEAF).get_page(request.GET.get("page"))
    values: dict[str, Any] = {
        "building": row,
        "queue": queue,
        "leaf": leaf,
        "today": today,
        "days": days,
        "out_of_service": selectors.out_of_service(task.heater_id for task in leaf),
    }
    return render(request, "care/building.html", values | {"needs": needs_at(request, row.property)})


def _heater(pk: int) -> Heater:
    rows = Heater.objects.select_related("position__building__property", "organisation")
    found: Heater = get_object_or_404(rows, pk=pk)
    return found


def _today(heater: Heater) -> date:
    return today_of(heater.organisation, heater.position.building.property)


@page(Need.READ)
@require_GET
def heater(request: HttpRequest, pk: int) -> HttpResponse:
    """One heater's care: what is due, what is held back and why, what was seen last."""
    row = _heater(pk)
    today = _today(row)
    held = decide(facts.facts_of(row, today), task_kinds(), today)[1] if row.in_service else {}
    tasks = selectors.tasks_of(pk)
    due = list(tasks.filter(state="open"))
    values = {
        "heater": row,
        "needs": needs_at(request, row.position.building.property),
        "today": today,
        "tasks": due,
        "sheet": sheets.of_heater(row, due),
        "closed": tasks.exclude(state="open").order_by("-closed_on", "-id")[:50],
        "held": [(task_kinds()[code].name, one.why) for code, one in held.items()],
        "findings": row.findings.select_related("task")[:30],
        "alerts": selectors.open_unsafe(pk),
        "shut_off": shut_off_steps(row),
    }
    return render(request, "care/heater.html", values)


def _task(pk: int) -> Task:
    rows = Task.objects.select_related(
        "heater__position__building__property", "heater__organisation", "organisation"
    )
    found: Task = get_object_or_404(rows, pk=pk)
    return found


def _show_task(
    request: HttpRequest, row: Task, problems: dict[str, str] | None = None, status: int = 200
) -> HttpResponse:
    answers = {name: str(value) for name, value in request.POST.items()}
    fields = [
        {
            "field": asking.asked(field),
            "answer": answers.get(field.name, ""),
            "problem": (problems or {}).get(field.name, ""),
        }
        for field in row.task_kind.findings
    ]
    values: dict[str, Any] = {
        "task": row,
        "kind": row.task_kind,
        "heater": row.heater,
        "today": _today(row.heater),
        "fields": fields,
        "problems": problems or {},
        "ask_again": request.method == "POST" and bool(problems),
        "note": answers.get("note", ""),
        "alerts": selectors.open_unsafe(row.heater_id),
        "shut_off": shut_off_steps(row.heater),
        "last": row.heater.findings.filter(task__kind=row.kind).exclude(task=row)[:10],
        "worker": selectors.worker_of(row),
        "sheet": sheets.of_heater(row.heater, [row]),
        "photos": row.photos.select_related("attachment"),
        "photo_right": photos.RIGHT[0].upper() + photos.RIGHT[1:],
        "may_work": "work" in needs_at(request, row.heater.position.building.property),
        "refusal": refusal_for(row) if row.state == Task.State.OPEN else "",
        "priority": priorities([row], _today(row.heater))[row.pk] if row.state == Task.State.OPEN else None,
    }
    return render(request, "care/task.html", values, status=status)


@page(Need.READ)
@require_http_methods(["GET", "HEAD", "POST"])
def task(request: HttpRequest, pk: int) -> HttpResponseBase:
    """One task: cautions first, then the steps, then what was found."""
    row = _task(pk)
    if request.method != "POST":
        return _show_task(request, row)
    return _complete(request, pk)


@page(Need.WORK)
def _complete(request: HttpRequest, pk: int) -> HttpResponse:
    row = _task(pk)
    written = {field.name: request.POST.get(field.name, "") for field in row.task_kind.findings}
    metric = request.POST.get("units") == "metric"
    answers = asking.in_record_units(row.task_kind.findings, written, metric)
    try:
        outcome = services.complete_task(
            row,
            answers,
            timezone.now(),
            sure=bool(request.POST.get("sure")),
            note=request.POST.get("note", "")[:1000],
        )
    except services.CareRefused as refused:
        messages.error(request, str(refused))
        return _show_task(request, row, refused.problems, status=409 if not refused.problems else 422)
    _keep_photo(request, row)
    if outcome.stopped:
        messages.error(request, "Stop. This is unsafe: the task is stopped and an alert is raised.")
        return redirect("care:task", pk)
    messages.success(request, f"{row.task_kind.name}: done and kept.")
    return redirect("care:heater", row.heater_id)


def _keep_photo(request: HttpRequest, row: Task, wanted: bool = False) -> None:
    """A photo that came along. One that cannot be kept is said plainly; everything else stands."""
    sent = request.FILES.get("photo")
    if sent is None and not wanted:
        return
    try:
        photos.keep_photo(row, photos.read_photo(sent), "", timezone.now())
    except services.CareRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "The photo is kept.")


@page(Need.WORK)
@require_POST
def add_photo(request: HttpRequest, pk: int) -> HttpResponse:
    _keep_photo(request, _task(pk), wanted=True)
    return redirect("care:task", pk)


@page(Need.WORK)
@require_POST
def leave_out(request: HttpRequest, pk: int) -> HttpResponse:
    row = _task(pk)
    try:
        services.skip_task(row, request.POST.get("reason", ""))
    except services.CareRefused as refused:
        messages.error(request, str(refused))
        return redirect("care:task", pk)
    messages.success(request, f"{row.task_kind.name}: left out this time, the reason is kept.")
    return redirect("care:heater", row.heater_id)


@page(Need.WORK)
@require_POST
def move(request: HttpRequest, pk: int) -> HttpResponse:
    row = _task(pk)
    text = request.POST.get("due_on", "")
    try:
        services.override_due(row, date.fromisoformat(text), request.POST.get("reason", ""))
    except services.CareRefused as refused:
        messages.error(request, str(refused))
    except ValueError:
        messages.error(request, f"{text!r} is not a day. Right would be 2026-11-25.")
    else:
        messages.success(request, f"Moved to {text}; the reason is kept.")
    return redirect("care:task", pk)


@page(Need.WORK)
@require_POST
def unsafe(request: HttpRequest, pk: int) -> HttpResponse:
    """Something unsafe that no field asks for."""
    row = _task(pk)
    try:
        services.report_unsafe(row, request.POST.get("what", ""), timezone.now())
    except services.CareRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.error(request, "Stop. The task is stopped and an alert is raised.")
    return redirect("care:task", pk)


@page(Need.READ)
@require_GET
def unsafe_list(request: HttpRequest) -> HttpResponse:
    rows = UnsafeFinding.objects.select_related("heater__position__building__property", "task", "seen_by")
    standing = list(rows.filter(closed_at=None))
    for row in standing:
        row.may_close = "plan" in needs_at(request, row.heater.position.building.property)
    values = {
        "alerts": standing,
        "closed": rows.exclude(closed_at=None)[:50],
        "leaks": LeakReport.objects.filter(answered_at=None).select_related(
            "heater__position__building__property"
        ),
        "may_work": may(request, Need.WORK),
    }
    return render(request, "care/unsafe.html", values)


@page(Need.PLAN)
@require_POST
def close_unsafe(request: HttpRequest, pk: int) -> HttpResponse:
    """Closed by someone entitled to, with what was done and by whom."""
    row: UnsafeFinding = get_object_or_404(UnsafeFinding.objects, pk=pk)
    try:
        services.close_unsafe(
            row, request.POST.get("follow_up", ""), request.POST.get("follow_up_by", ""), timezone.now()
        )
    except services.CareRefused as refused:
        messages.error(request, " ".join([str(refused), *refused.problems.values()]))
    else:
        messages.success(request, "Closed, with its follow-up.")
    return redirect("care:unsafe_list")

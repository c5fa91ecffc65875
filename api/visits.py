"""Visits: laid out, given to crews, put in order, begun and ended; photos of the work; what came of it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.http import HttpResponse
from django.urls import path
from django.utils import timezone
from rest_framework import serializers

from api.care_shapes import TASKS, VISITS, VisitMoved, VisitShown, VisitsLaid
from api.door import ApiView
from api.estate import BUILDINGS, property_asked, within
from api.operations import Asked, operation
from api.problems import Problem
from api.rows import Row, Rows
from api.shapes import Given, Known, Shown, StrictDay, StrictMoment, StrictText, StrictWhole, number
from api.usual import Verb, act, listing, single
from api.work_shapes import JOBS, JobShown
from fleet.care import closed_work, photos, visits
from fleet.care.models import Crew, Task, TaskPhoto, Visit
from fleet.estate import background
from fleet.estate.access import Need
from fleet.estate.calendar import day_of, today_of
from fleet.estate.models import Building
from fleet.heaters.attachments import MAX_BYTES


def _lay_out(view: ApiView, building: Building) -> Row:
    today = today_of(building.property.organisation, building.property)
    laid = visits.plan_visits(building, today)
    return {"visits": laid.visits, "tasks": laid.tasks}


def _move(view: ApiView, row: Visit) -> None:
    visits.move_visit(row, view.given["day"], view.given["reason"])


class GivenTo(Given):
    crew_id = Known(Crew, allow_null=True, help_text="null: no crew")
    reason = StrictText(max_length=300)


def _give(view: ApiView, row: Visit) -> None:
    visits.give_visit(row, view.given["crew_id"], view.given["reason"])


class When(Given):
    at = StrictMoment(required=False, help_text="Now, if not said")


def _begin(view: ApiView, row: Visit) -> None:
    visits.begin_visit(row, _moment(view))


def _end(view: ApiView, row: Visit) -> None:
    visits.end_visit(row, _moment(view))


def _moment(view: ApiView) -> Any:
    at = view.given.get("at") or timezone.now()
    if at > timezone.now() + timedelta(minutes=10):
        raise Problem("refused", errors=[{"pointer": "/at", "detail": "This moment has not come yet."}])
    return at


class LayOutView(ApiView):
    @operation(
        Need.WORK, "Lay the whole queue out as visits, within windows, hours and licences.", gives=JobShown,
        status=202, tag="visits",
    )  # fmt: skip
    def post(self, request: Any) -> HttpResponse:
        job = background.enqueue("lay_visits", {}, self.caller.organisation.pk, unique_key="lay visits")
        return self.asked_for(JOBS.one(job.pk), f"/api/v1/jobs/{job.pk}")


class Order(Given):
    day = StrictDay()
    crew = StrictText(required=False, allow_blank=True, max_length=80, help_text="Its name; empty: no crew")
    visit_ids = serializers.ListField(child=StrictWhole(min_value=1, max_value=2**53), max_length=200)


class OrderView(ApiView):
    @operation(
        Need.WORK, "Put one crew's buildings of a day in order.", takes=Order, status=204, tag="visits"
    )
    def post(self, request: Any) -> HttpResponse:
        given = self.given
        visits.order_day(given["day"], given.get("crew", ""), given["visit_ids"])
        return HttpResponse(status=204)


class Going(Given):
    day = StrictDay()


def _go(view: ApiView, building: Building) -> HttpResponse:
    made = visits.visit_on(building, view.given["day"])
    return view.answer(VISITS.one(made.pk), 201, {"Location": f"/api/v1/visits/{made.pk}"})


# --- photos of the work


class PhotoShown(Shown):
    task_id = number()
    attachment_id = number()

    class Meta:
        model = TaskPhoto
        fields = ("id", "task_id", "attachment_id", "shows", "taken_at")


PHOTOS = Rows(
    "TaskPhoto", PhotoShown, lambda: TaskPhoto.objects.all(), {"task_id": within("task_id", "Of this task.")}
)


class PhotoGiven(Given):
    file = serializers.FileField(help_text=f"Send {photos.RIGHT}.")
    shows = serializers.CharField(required=False, allow_blank=True, max_length=200)


def _photo(view: ApiView, row: Task) -> HttpResponse:
    sent = view.given["file"]
    if (sent.size or 0) > MAX_BYTES:
        raise Problem("too-large", f"Send {photos.RIGHT}.")
    kept = photos.keep_photo(row, photos.read_photo(sent), view.given.get("shows", ""), timezone.now())
    return view.made(PHOTOS, kept.pk, "/api/v1/task-photos")


# --- what came of the work


class KindDone(serializers.Serializer):
    name = serializers.CharField()
    safety = serializers.BooleanField()
    done = serializers.IntegerField()
    in_time = serializers.IntegerField()
    left_out = serializers.IntegerField()
    no_longer = serializers.IntegerField()
    late_now = serializers.IntegerField()


class WorkDone(serializers.Serializer):
    first = serializers.DateField()
    last = serializers.DateField()
    done = serializers.IntegerField()
    in_time = serializers.IntegerField()
    left_out = serializers.IntegerField()
    late = serializers.IntegerField(help_text="Open and past its day, today")
    waiting = serializers.IntegerField(help_text="Entries of phones that wait for a person")
    kinds = KindDone(many=True)


DAY = Asked(serializers.DateField(), "The last 30 days, if not said.")
OF_PROPERTY = Asked(serializers.IntegerField(min_value=1, max_value=2**53), "At this property.")


class WorkDoneView(ApiView):
    @operation(
        Need.READ, "Work done, late and left out, by kind. The tasks themselves: /tasks?closed_since=.",
        gives=WorkDone, asks={"first": DAY, "last": DAY, "property_id": OF_PROPERTY}, tag="tasks",
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        chosen = property_asked(self)
        today = day_of(self.caller.organisation, chosen)
        last: date = self.asked.get("last", today)
        first: date = min(self.asked.get("first", today - timedelta(days=30)), last)
        sums = closed_work.sums(first, last, today, [chosen.pk] if chosen else None)
        kinds: Any = sums.pop("kinds")
        return self.answer({"first": first, "last": last, **sums, "kinds": [vars(kind) for kind in kinds]})


LAY_OUT = Verb(
    Need.WORK, "Lay a building's due tasks out as visits; again gives the same.", _lay_out, gives=VisitsLaid
)
GO = Verb(
    Need.WORK, "Go to a building on a day: what is due there soon becomes that day's visit.", _go, Going, VisitShown,
    201,
)  # fmt: skip
urlpatterns = [
    path("visits", listing(VISITS, "Visits", "visits"), name="visits"),
    path("visits/lay-out", LayOutView.as_view(), name="visits_lay_out_all"),
    path("visits/order", OrderView.as_view(), name="visits_order"),
    path("visits/<number:pk>", single(VISITS, "One visit", "visits"), name="visits_one"),
    path(
        "visits/<number:pk>/move",
        act(VISITS, "visits", Verb(Need.WORK, "Set a visit's day by hand.", _move, VisitMoved)),
        name="visits_move",
    ),
    path(
        "visits/<number:pk>/give",
        act(VISITS, "visits", Verb(Need.WORK, "Give it to a crew by hand, with the reason.", _give, GivenTo)),
        name="visits_give",
    ),
    path(
        "visits/<number:pk>/begin",
        act(VISITS, "visits", Verb(Need.WORK, "Note when it began; the earliest moment stands.", _begin, When)),
        name="visits_begin",
    ),
    path(
        "visits/<number:pk>/end",
        act(VISITS, "visits", Verb(Need.WORK, "Note when it ended; the first end stands.", _end, When)),
        name="visits_end",
    ),
    path("buildings/<number:pk>/visits", act(BUILDINGS, "visits", LAY_OUT), name="visits_lay_out"),
    path("buildings/<number:pk>/go", act(BUILDINGS, "visits", GO), name="visits_go"),
    path(
        "tasks/<number:pk>/photos",
        act(TASKS, "task-photos", Verb(
            Need.WORK, "Keep a photo with a task and its heater, drawn anew without its place.", _photo, PhotoGiven,
            PhotoShown, 201, form=True,
        )),
        name="tasks_photo",
    ),
    path("task-photos", listing(PHOTOS, "Photos of the work", "task-photos"), name="photos"),
    path("task-photos/<number:pk>", single(PHOTOS, "One photo of the work", "task-photos"), name="photos_one"),
    path("work-done", WorkDoneView.as_view(), name="work_done"),
]  # fmt: skip

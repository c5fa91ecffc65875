"""Background jobs, what is missing from the record, history."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from django.urls import path

from api.door import ApiView
from api.operations import operation
from api.problems import Problem
from api.usual import listing, single, whole_only
from api.work_shapes import HISTORY, JOBS, JobShown, QualityShown
from fleet.estate import background
from fleet.estate.access import Need
from fleet.estate.calendar import today_of
from fleet.estate.history import history_in_sight
from fleet.estate.models import Job
from fleet.heaters.quality import quick_look
from fleet.heaters.quality_jobs import DATA_QUALITY


def _job(pk: int) -> Job:
    found: Job | None = Job.objects.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def _job_to_change(view: ApiView, pk: int) -> Job:
    job = _job(pk)
    if background.need_to_change(job) not in view.caller.needs:
        raise Problem(
            "not-allowed", "This kind of job is called off and set off again by who may ask for it."
        )
    return job


class CancelJobView(ApiView):
    @operation(
        Need.PLAN,
        "Call a job off: at once while it waits, at its next step while it runs.",
        gives=JobShown,
        tag="jobs",
    )
    def post(self, request: Any, pk: int) -> HttpResponse:
        background.cancel(_job_to_change(self, pk))
        return self.answer(JOBS.one(pk))


class AgainView(ApiView):
    @operation(Need.PLAN, "Try a job again that was given up or called off.", gives=JobShown, tag="jobs")
    def post(self, request: Any, pk: int) -> HttpResponse:
        background.try_again(_job_to_change(self, pk))
        return self.answer(JOBS.one(pk))


class RollForwardView(ApiView):
    @operation(
        Need.PLAN,
        "Work out anew what is due. It is done daily and after imports anyway.",
        gives=JobShown,
        status=202,
        tag="tasks",
    )
    def post(self, request: Any) -> HttpResponse:
        whole_only(self)
        job = background.enqueue(
            "roll_forward", {}, self.caller.organisation.pk, unique_key="asked through the API"
        )
        return self.asked_for(JOBS.one(job.pk), f"/api/v1/jobs/{job.pk}")


class QualityView(ApiView):
    @operation(
        Need.READ, "What is missing from the record, at a glance.", gives=QualityShown, tag="data-quality"
    )
    def get(self, request: Any) -> HttpResponse:
        organisation = self.caller.organisation
        look = quick_look(organisation, today_of(organisation))
        done = Job.objects.filter(organisation=organisation, kind=DATA_QUALITY, state=Job.State.DONE).first()
        return self.answer({"look": look.plain(), "computed": done.result if done else None})

    @operation(
        Need.PLAN,
        "Ask which missing facts cost the most certainty.",
        gives=JobShown,
        status=202,
        tag="data-quality",
    )
    def post(self, request: Any) -> HttpResponse:
        whole_only(self)
        organisation = self.caller.organisation
        today = today_of(organisation).isoformat()
        job = background.enqueue(DATA_QUALITY, {"as_of": today}, organisation.pk, unique_key=DATA_QUALITY)
        return self.asked_for(JOBS.one(job.pk), f"/api/v1/jobs/{job.pk}")


class HistoryView(ApiView):
    @operation(
        Need.READ, "Who changed what, when, from what, the newest first, a page at a time.", lists=HISTORY, tag="history"
    )  # fmt: skip
    def get(self, request: Any) -> HttpResponse:
        plans = Need.PLAN in self.caller.needs
        return self.page(HISTORY.of(lambda: history_in_sight(plans)))


urlpatterns = [
    path("jobs", listing(JOBS, "Background work, the newest first", "jobs"), name="jobs"),
    path("jobs/<number:pk>", single(JOBS, "One job", "jobs"), name="jobs_one"),
    path("jobs/<number:pk>/cancel", CancelJobView.as_view(), name="jobs_cancel"),
    path("jobs/<number:pk>/again", AgainView.as_view(), name="jobs_again"),
    path("queue/refresh", RollForwardView.as_view(), name="queue_refresh"),
    path("data-quality", QualityView.as_view(), name="data_quality"),
    path("history", HistoryView.as_view(), name="history"),
]

"""The verbs of the report: ask for one, make it, share it by a link that ends, take the link back."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from datetime import timedelta

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from fleet.estate import background
from fleet.estate.calendar import today_of
from fleet.estate.history import record_change
from fleet.estate.scope import unscoped
from fleet.planning.capital_rows import CapitalPlan
from fleet.planning.report_rows import PlanReport, SharedLink

State = PlanReport.State
LONGEST_DAYS = 180
KEY_BYTES = 32


class ReportRefused(ValueError):
    """A report or a link that cannot be; the message says what would be right."""


@transaction.atomic
def request_report(plan: CapitalPlan) -> PlanReport:
    """Ask for a report in the background; while one of this plan is open, that one is returned."""
    if plan.state != CapitalPlan.State.DONE:
        raise ReportRefused("A report needs a finished plan; wait for it, or make it again.")
    open_one = PlanReport.objects.filter(plan=plan, state__in=[State.WAITING, State.RUNNING]).first()
    if open_one is not None:
        return open_one  # type: ignore[no-any-return]
    report = PlanReport.objects.create(organisation_id=plan.organisation_id, plan=plan)
    report.job = background.enqueue("plan report", {"report_id": report.pk}, plan.organisation_id)
    report.save(update_fields=["job"])
    record_change(report, "asked for")
    return report


def make_report(
    report: PlanReport, tell: Callable[[float, str], None] = lambda fraction, words: None
) -> PlanReport:
    """Make the files and keep them. A report already made stays as it is."""
    from fleet.planning import report_content, report_files

    claimed = PlanReport.objects.filter(pk=report.pk).exclude(state=State.DONE).update(state=State.RUNNING)
    if claimed:
        try:
            plan = CapitalPlan.objects.select_related("run", "organisation").get(pk=report.plan_id)
            tell(0.1, "Reading the plan")
            now = timezone.now()
            content = report_content.content_of(plan, today_of(plan.organisation))
            tell(0.5, "Setting the pages")
            pdf = report_files.pdf_of(content, now)
            tell(0.8, "Filling the workbook")
            xlsx = report_files.workbook_of(content, plan)
        except background.Cancelled:
            PlanReport.objects.filter(pk=report.pk).update(
                state=State.FAILED, error="Called off.", finished_at=timezone.now()
            )
            raise
        except Exception as error:
            words = f"The report stopped with an error of the program ({type(error).__name__})."
            PlanReport.objects.filter(pk=report.pk).update(
                state=State.FAILED, error=words, finished_at=timezone.now()
            )
            raise
        PlanReport.objects.filter(pk=report.pk, state=State.RUNNING).update(
            state=State.DONE, content=content, pdf=pdf, xlsx=xlsx, error="", finished_at=now
        )
    report.refresh_from_db()
    return report


def digest_of(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


@transaction.atomic
def share_report(report: PlanReport, days: int = 30, words: str = "") -> tuple[SharedLink, str]:
    """A link for somebody without an account. Its key is returned once and never kept."""
    if report.state != State.DONE:
        raise ReportRefused("Only a finished report can be shared.")
    if not 1 <= days <= LONGEST_DAYS:
        raise ReportRefused(f"A link cannot last {days} days; give 1 to {LONGEST_DAYS}.")
    if len(words) > 120:
        raise ReportRefused(f"The note is {len(words)} characters long; at most 120.")
    key = secrets.token_urlsafe(KEY_BYTES)
    link = SharedLink.objects.create(
        organisation_id=report.organisation_id,
        report=report,
        key_digest=digest_of(key),
        words=words,
        expires_at=timezone.now() + timedelta(days=days),
    )
    record_change(link, "shared", {"expires_at": (None, link.expires_at.isoformat())})
    return link, key


@transaction.atomic
def revoke_link(link: SharedLink) -> None:
    """End a link now; a second time changes nothing."""
    if SharedLink.objects.filter(pk=link.pk, revoked_at=None).update(revoked_at=timezone.now()):
        record_change(link, "revoked")


def open_shared(key: str, count: bool = True) -> PlanReport | None:
    """The report behind a key, or None: unknown, revoked and expired keys look the same."""
    with unscoped("a shared link is its own key"):
        link = (
            SharedLink.objects.filter(
                key_digest=digest_of(key), revoked_at=None, expires_at__gt=timezone.now()
            )
            .select_related("report")
            .first()
        )
        if link is None:
            return None
        if count:
            SharedLink.objects.filter(pk=link.pk).update(opened=F("opened") + 1)
        report: PlanReport = link.report
        return report

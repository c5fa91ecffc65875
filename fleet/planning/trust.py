"""The verbs of checking the forecast: ask for a check, call it off, run it; which check is in use."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from fleet.estate import background
from fleet.estate.calendar import today_of
from fleet.estate.models import Organisation
from fleet.planning import making, priors, selectors
from fleet.planning.cost_book import require_whole_organisation
from fleet.planning.models import ForecastRun, TrustCheck

State = TrustCheck.State
DRAWS = 500


def latest_check(organisation_id: int) -> TrustCheck | None:
    """The last good check. One that failed, or is under way, never replaces it."""
    return TrustCheck.objects.filter(organisation_id=organisation_id, state=State.DONE).first()


def open_check_of(organisation_id: int) -> TrustCheck | None:
    rows = TrustCheck.objects.filter(organisation_id=organisation_id, state__in=making.OPEN)
    return rows.select_related("job").first()


def last_ended(organisation_id: int) -> TrustCheck | None:
    """The newest check that has ended, good or not: says whether the last attempt failed."""
    rows = TrustCheck.objects.filter(organisation_id=organisation_id)
    return rows.exclude(state__in=making.OPEN).first()


@transaction.atomic
def open_check(organisation: Organisation, run: ForecastRun | None = None) -> TrustCheck:
    """Write down a check of the plan in use (or of `run`); without a plan, of today's record."""
    require_whole_organisation(organisation.pk)
    run = run or selectors.latest_run(organisation.pk)
    return TrustCheck.objects.create(
        organisation=organisation,
        run=run,
        as_of=run.as_of if run else today_of(organisation),
        seed=run.seed if run else 1,
        draws=DRAWS,
    )


@transaction.atomic
def request_check(organisation: Organisation, run: ForecastRun | None = None) -> TrustCheck:
    """Ask for a check in the background; while one is open, that one is returned."""
    if already := open_check_of(organisation.pk):
        return already
    check = open_check(organisation, run)
    job = background.enqueue(
        "forecast check", {"check_id": check.pk}, organisation.pk, unique_key=str(check.pk)
    )
    check.job = job
    check.save(update_fields=["job"])
    return check


def cancel_check(check: TrustCheck) -> None:
    """Call a check off: at once while it waits, at its next step while it runs."""
    making.call_off(check)


def run_check(
    check: TrustCheck,
    report: making.Report = making.in_silence,
    cancelled: making.Cancelled = making.never,
) -> TrustCheck:
    """Make the check. One already done or called off stays as it is.

    Raises NothingToForecast after marking the check failed with its words.
    """
    from fleet.planning.chain import NothingToForecast

    return making.make(check, _make, report, cancelled, thing="check", refusals=(NothingToForecast,))


def _make(check: TrustCheck, report: making.Report, cancelled: making.Cancelled) -> None:
    from fleet.planning import chain, trust_chain
    from fleet.planning.frames import records_in_scope

    report(0.0, "Reading the record")
    records = records_in_scope(check.as_of)
    asked = chain.Asked(10, check.seed, check.draws, {}, 0.0, 0.0, priors.entered(check.organisation_id))
    result = trust_chain.compute(records, asked, report, cancelled)
    if cancelled():
        raise background.Cancelled
    TrustCheck.objects.filter(pk=check.pk).update(
        state=State.DONE,
        finished_at=timezone.now(),
        result=result,
        engine_version=result["engine_version"][:40],
        inputs_digest=chain.digest(
            records.heaters,
            records.services,
            records.waters,
            *priors.tables(asked.priors),
            asked.__dict__,
            str(check.as_of),
        ),
    )
    report(1.0, "Done")

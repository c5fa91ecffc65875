"""The survey's verbs: begin it, note what was seen, work it out, rule by hand."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleet.care.models import UnsafeFinding
from fleet.contracts import survey_rules, working_out
from fleet.contracts.models import Offer, Survey, SurveyLine
from fleet.contracts.survey_rules import HeaterFacts
from fleet.estate import background
from fleet.estate.calendar import today_of
from fleet.estate.grants import clients_of, scope_of_company
from fleet.estate.history import record_change
from fleet.estate.models import Organisation, Property
from fleet.estate.scope import current_scope, scoped
from fleet.heaters.models import TANKLESS, Heater, ServiceRecord

CARE_WORKS = ("flush", "anode_inspected", "anode_renewed", "relief_valve_tested", "descaled")
SEEN_ON_SITE = ("no_access", "recalled", "out_of_code")
Verdict = SurveyLine.Verdict


class SurveyRefused(ValueError):
    """What was asked cannot be done; the message says why and what would be right."""


def _place(heater: Heater) -> str:
    building = heater.position.building
    return f"{building.property.name}, {building.name}, {heater.position.label}"


@transaction.atomic
def begin_survey(
    company: Organisation, property_ids: Collection[int], horizon_years: int = 5, note: str = ""
) -> Survey:
    """Take all heaters in service at these properties of one client into a survey."""
    if not 1 <= horizon_years <= 10:
        raise SurveyRefused(f"{horizon_years} years cannot be looked ahead; give 1 to 10.")
    found = {client.organisation.pk: client for client in clients_of(company)}
    places = list(Property.objects.filter(pk__in=property_ids, organisation_id__in=found))
    owners = {place.organisation_id for place in places}
    if not places:
        raise SurveyRefused("Nothing is in scope: choose at least one property that a client opened to you.")
    if len(owners) != 1 or len(places) != len(set(property_ids)):
        raise SurveyRefused(
            "A survey is of one client: choose properties of one client that are open to you."
        )
    heaters = list(
        Heater.objects.filter(ending="", position__building__property__in=places)
        .select_related("position__building__property")
        .order_by("id")
    )
    if not heaters:
        raise SurveyRefused("Nothing is in scope: no heater in service is on record at these properties.")
    client = found[owners.pop()].organisation
    survey: Survey = Survey.objects.create(
        organisation=company,
        client=client,
        begun_on=today_of(client),
        horizon_years=horizon_years,
        note=note.strip(),
    )
    SurveyLine.objects.bulk_create(
        SurveyLine(organisation=company, survey=survey, heater=heater, place=_place(heater)[:500])
        for heater in heaters
    )
    record_change(survey, "survey begun", {"heaters": (0, len(heaters))})
    return survey


@transaction.atomic
def note_on_site(line: SurveyLine, seen: Mapping[str, bool], condition: str = "") -> SurveyLine:
    """What was seen at one heater; the ruling follows when the survey is worked out again."""
    changes: dict[str, tuple[Any, Any]] = {}
    for name in SEEN_ON_SITE:
        if name in seen and getattr(line, name) != seen[name]:
            changes[name] = (getattr(line, name), seen[name])
            setattr(line, name, seen[name])
    if condition.strip()[:300] != line.condition:
        changes["condition"] = (line.condition, condition.strip()[:300])
        line.condition = condition.strip()[:300]
    if changes:
        line.save(update_fields=[*SEEN_ON_SITE, "condition"])
        record_change(line, "seen on site", changes)
        if line.fail_chance is not None and not line.by_hand:
            _rule(line.survey, [line])
    return line


@transaction.atomic
def rule_by_hand(line: SurveyLine, verdict: str, reason: str) -> SurveyLine:
    """A person rules otherwise than the rules do; the client reads the reason."""
    if verdict not in Verdict.values:
        raise SurveyRefused(f"{verdict!r} is not a ruling; {', '.join(Verdict.values)} are.")
    if not reason.strip():
        raise SurveyRefused("Say why you rule otherwise; the client reads it.")
    unsafe = UnsafeFinding.objects.filter(heater_id=line.heater_id, closed_at=None).exists()
    if unsafe and verdict != Verdict.REFUSED:
        raise SurveyRefused(
            "An unsafe finding is open at this heater: it cannot be taken on before it is closed."
        )
    before = line.verdict
    line.verdict, line.by_hand, line.hand_reason = verdict, True, reason.strip()[:300]
    line.reasons = [line.hand_reason]
    line.save(update_fields=["verdict", "by_hand", "hand_reason", "reasons"])
    record_change(line, "ruled by hand", {"verdict": (before, verdict)}, reason)
    return line


@transaction.atomic
def request_working_out(survey: Survey) -> Survey:
    """Ask for the futures of the surveyed heaters in the background. What an offer stands on is not worked out anew."""
    if (standing := offer_on(survey)) is not None:
        raise SurveyRefused(
            f"{str(standing).capitalize()} stands on this survey as it was worked out and is "
            f"{standing.get_state_display()}. Begin a new survey of these properties."
        )
    _open_heaters(survey)
    job = background.enqueue(
        "contract survey", {"survey_id": survey.pk}, survey.organisation_id, unique_key=f"survey {survey.pk}"
    )
    Survey.objects.filter(pk=survey.pk).update(state=Survey.State.WAITING, job=job, error="")
    survey.refresh_from_db()
    return survey


def offer_on(survey: Survey) -> Offer | None:
    """The offer that is with the client or accepted and rests on this survey's futures."""
    rows = survey.offers.filter(state__in=(Offer.State.ISSUED, Offer.State.ACCEPTED))
    found: Offer | None = rows.defer("paths", "scan").order_by("-id").first()
    return found


def _open_heaters(survey: Survey) -> set[int]:
    """The surveyed heaters that the client's grant still opens. Raises SurveyRefused when none is left."""
    scope = scope_of_company(survey.organisation, survey.client_id, current_scope().actor)
    wanted = survey.lines.values_list("heater_id", flat=True)
    with scoped(scope):
        found = set(Heater.objects.filter(pk__in=list(wanted), ending="").values_list("pk", flat=True))
    if not found:
        raise SurveyRefused(
            f"{survey.client} no longer opens any of these heaters to you: the access ended or was revoked during "
            "the survey. Ask for it again; what you noted is kept."
        )
    return found


def work_out(
    survey: Survey,
    report: Callable[[float, str], None] = lambda fraction, words: None,
    cancelled: Callable[[], bool] = lambda: False,
) -> Survey:
    """Fit the client's record, look ahead, rule on every heater. Safe to run again: the same record, the same answer."""
    from fleet.planning.chain import NothingToForecast

    try:
        found = _open_heaters(survey)
        scope = scope_of_company(survey.organisation, survey.client_id)
        with scoped(scope):
            answer = working_out.compute(survey, sorted(found), today_of(survey.client), report, cancelled)
        with transaction.atomic():
            _keep(survey, answer)
    except (SurveyRefused, NothingToForecast, ValueError) as refusal:
        Survey.objects.filter(pk=survey.pk).update(state=Survey.State.FAILED, error=str(refusal)[:500])
        survey.refresh_from_db()
        return survey
    survey.refresh_from_db()
    return survey


def _keep(survey: Survey, answer: working_out.Answer) -> None:
    Survey.objects.filter(pk=survey.pk).update(
        state=Survey.State.READY,
        error="",
        futures=answer.packed,
        figures=answer.figures,
        engine_version=answer.version[:40],
        worked_out_at=timezone.now(),
    )
    lines = list(survey.lines.select_related("heater__position__building"))
    for line in lines:
        line.fail_chance = answer.fail_chance.get(line.heater_id)
        line.age_years = answer.age.get(line.heater_id)
    _rule(survey, lines)


def _rule(survey: Survey, lines: list[SurveyLine]) -> None:
    with scoped(scope_of_company(survey.organisation, survey.client_id, current_scope().actor)):
        numbers = [line.heater_id for line in lines]
        unsafe: dict[int, list[str]] = {}
        for number, what in UnsafeFinding.objects.filter(heater_id__in=numbers, closed_at=None).values_list(
            "heater_id", "what"
        ):
            unsafe.setdefault(number, []).append(what)
        cared = set(
            ServiceRecord.objects.filter(heater_id__in=numbers, kind__in=CARE_WORKS).values_list(
                "heater_id", flat=True
            )
        )
        heaters = {
            row.pk: row
            for row in Heater.objects.filter(pk__in=numbers, ending="").select_related("position__building")
        }
        for line in lines:
            if (heater := heaters.get(line.heater_id)) is None:
                line.verdict, line.by_hand = Verdict.REFUSED, False
                line.reasons = ["It left service, or the access to it ended, before the survey was finished."]
                continue
            line.missing = missing_facts(heater)
            if not line.by_hand:
                facts = _facts(survey, line, heater, unsafe.get(line.heater_id, ()), line.heater_id in cared)
                ruling = survey_rules.judge(facts)
                line.verdict, line.reasons = ruling.verdict, ruling.reasons
    fields = ["verdict", "reasons", "missing", "by_hand", "fail_chance", "age_years"]
    # An upsert of rows that exist: many times quicker than a bulk update's long CASE.
    SurveyLine.objects.bulk_create(
        lines, batch_size=500, update_conflicts=True, unique_fields=["id"], update_fields=fields
    )


def _facts(survey: Survey, line: SurveyLine, heater: Heater, unsafe: Any, cared: bool) -> HeaterFacts:
    place = heater.position
    return HeaterFacts(
        age_years=line.age_years if heater.installed_latest or heater.made_latest else None,
        fail_chance=line.fail_chance or 0.0,
        years_ahead=survey.horizon_years,
        cared_for=cared,
        is_storage=heater.kind not in TANKLESS,
        unsafe=unsafe,
        no_access=line.no_access,
        recalled=line.recalled,
        out_of_code=line.out_of_code,
        closed_without_expansion=place.closed_system is True and place.has_expansion_tank is False,
    )


def missing_facts(heater: Heater) -> list[str]:
    """What the register lacks that the price leans on."""
    facts = {
        "date of installation": heater.installed_latest or heater.made_latest,
        "size": heater.capacity_gal or heater.kind in TANKLESS,
        "anode": heater.anode_kind or heater.kind in TANKLESS,
        "set point": heater.setpoint_f,
        "closed system or not": heater.position.closed_system is not None,
    }
    return [name for name, known in facts.items() if not known]

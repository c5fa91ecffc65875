"""What a contract asks for each day: promised care becomes tasks with deadlines, changes are followed, terms are told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Max

from fleet.care.kinds import task_kinds
from fleet.care.models import Task
from fleet.care.promises import PromiseRefused, promise_care, withdraw_promises
from fleet.contracts import claims, running
from fleet.contracts.models import Contract, Offer
from fleet.contracts.pricing import applies_to
from fleet.estate.calendar import today_of
from fleet.estate.grants import clients_of
from fleet.estate.happenings import announce
from fleet.estate.models import Organisation
from fleet.estate.scope import Level, scope_of_organisation, scoped
from fleet.heaters.models import Heater, ServiceRecord
from fleet.pages.words import how_many

FIRST_ROUND_DAYS = 60  # care not done within its interval is promised within so many days of the start
TOLD_BEFORE_END_DAYS = (90, 30)
TOLD_BEFORE_DUE_DAYS = 14


def words_of(contract: Contract) -> str:
    return f"Contract {contract.offer.number} of {contract.organisation.name}"


def hold_contract(
    contract: Contract, report: Callable[[float, str], None] = lambda fraction, words: None
) -> dict[str, int]:
    """One contract's day. Safe to run again: what is promised stays promised, what was told is not told twice."""
    today = today_of(contract.client)
    if contract.state == Contract.State.RUNNING and contract.ends_on < today:
        running.end_by_term(contract)
        contract.refresh_from_db()
    if contract.state == Contract.State.ENDED:
        return {"withdrawn": _withdraw(contract)}
    if not may_work_at(contract):
        _tell_no_access(contract, contract.heaters.filter(until=None).count())
        return {"promised": 0, "told": _tell(contract, today)}
    with scoped(running.scope_at_client(contract)):
        with transaction.atomic():
            changed = running.sync_heaters(contract, today)
            claims.find_claims(contract)
        promised = _promise(contract, today, report)
        told = _tell(contract, today)
    return {"changed": len(changed), "promised": promised, "told": told}


def _withdraw(contract: Contract) -> int:
    """Take the contract's own promises back in the client's record, whether or not access is still granted."""
    words = words_of(contract)
    numbers = list(contract.heaters.values_list("heater_id", flat=True))
    running_ones = Contract.objects.filter(client_id=contract.client_id, state=Contract.State.RUNNING)
    kept = set(running_ones.filter(heaters__until=None).values_list("heaters__heater_id", flat=True))
    with scoped(scope_of_organisation(contract.client_id, actor=words)):
        mine = Task.objects.filter(heater_id__in=numbers, state=Task.State.OPEN, promised_words=words)
        ended = sorted(set(mine.values_list("heater_id", flat=True)) - kept)
        return withdraw_promises(contract.client, ended, "the contract ended")


def _promise(contract: Contract, today: date, report: Callable[[float, str], None]) -> int:
    """The next promised day of each kind of care at each heater under contract."""
    care: dict[str, int] = contract.offer.care
    under = dict(contract.heaters.filter(until=None).values_list("heater_id", "heater__kind"))
    wanted = [
        (number, code, months)
        for number, kind in under.items()
        for code, months in care.items()
        if applies_to(code, kind)
    ]
    standing = set(
        Task.objects.filter(
            heater_id__in=under, state=Task.State.OPEN, promised_by__isnull=False
        ).values_list("heater_id", "kind")
    )
    last = _last_done(list(under), care)
    made, held = 0, []
    reach = set(Heater.objects.filter(pk__in=under).values_list("pk", flat=True))
    for place, (number, code, months) in enumerate(wanted):
        if (number, code) in standing or number not in reach:
            continue
        if place % 50 == 0:
            report(place / len(wanted), f"Promising care: {place} of {len(wanted)}")
        due = next_day(contract, last.get((number, code)), months, today)
        if due is None:
            continue
        try:
            promise_care(contract.client, number, code, due, words_of(contract))
            made += 1
        except PromiseRefused as refused:
            held.append({"heater": number, "kind": task_kinds()[code].name, "why": str(refused)[:300]})
    if len(reach) < len(under):
        _tell_no_access(contract, len(under) - len(reach))
    if held != contract.held:
        Contract.objects.filter(pk=contract.pk).update(held=held)
    return made


def _last_done(numbers: list[int], care: dict[str, int]) -> dict[tuple[int, str], date]:
    found: dict[tuple[int, str], date] = {}
    record_of = {task_kinds()[code].record: code for code in care if code in task_kinds()}
    rows = (
        ServiceRecord.objects.filter(heater_id__in=numbers, kind__in=list(record_of))
        .order_by()
        .values_list("heater_id", "kind")
        .annotate(last=Max("done_latest"))
    )
    for number, kind, day in rows:
        if day is not None:
            found[(number, record_of[kind])] = day
    done = (
        Task.objects.filter(heater_id__in=numbers, kind__in=list(care), state=Task.State.DONE)
        .order_by()
        .values_list("heater_id", "kind")
        .annotate(last=Max("closed_on"))
    )
    for number, code, day in done:
        found[(number, code)] = max(day, found.get((number, code), day))
    return found


def next_day(contract: Contract, last: date | None, months: int, today: date) -> date | None:
    """The promised day: an interval after the last time, never before the first round; None when after the term."""
    first = contract.starts_on + timedelta(days=FIRST_ROUND_DAYS)
    due = first if last is None else max(first, months_after(last, months))
    if due < today and last is not None and last >= contract.starts_on:
        due = today
    due = min(due, contract.ends_on) if last is None else due
    return due if due <= contract.ends_on else None


def months_after(day: date, months: int) -> date:
    year, month = divmod(day.month - 1 + months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return date(day.year + year, month + 1, last)
        except ValueError:
            continue
    raise AssertionError("every month has a 28th")


def _tell(contract: Contract, today: date) -> int:
    """Deadlines that come near, and the term's end. Each is told once."""
    told = 0
    soon = today + timedelta(days=TOLD_BEFORE_DUE_DAYS)
    near = Task.objects.filter(
        promised_words=words_of(contract), state=Task.State.OPEN, promised_by__lte=soon
    ).count()
    if near:
        week = today.isocalendar()
        sentence = f"{near} promised tasks at {contract.client} are due by {soon}."
        told += _announce(contract, f"due {contract.pk} {week.year}-{week.week}", sentence)
    for days in TOLD_BEFORE_END_DAYS:
        if today >= contract.ends_on - timedelta(days=days):
            sentence = (
                f"The contract with {contract.client} ends on {contract.ends_on}. Renew it or let it end."
            )
            told += _announce(contract, f"ends {contract.pk} {days}", sentence)
    return told


def _tell_no_access(contract: Contract, missing: int) -> None:
    sentence = (
        f"{contract.client} no longer opens {how_many(missing, 'heater')} under contract to you: the promised care cannot be "
        "done. Ask for the access again."
    )
    _announce(contract, f"access {contract.pk} {missing}", sentence, urgent=True)


def _announce(contract: Contract, key: str, sentence: str, urgent: bool = False) -> int:
    if key in contract.told:
        return 0
    announce(
        "contract_deadline",
        key,
        sentence,
        organisation_id=contract.organisation_id,
        address=f"/contracts/{contract.pk}/",
        urgent=urgent,
    )
    contract.told = [*contract.told, key]
    Contract.objects.filter(pk=contract.pk).update(told=contract.told)
    return 1


def hold_all(company: Organisation, report: Callable[[float, str], None]) -> dict[str, Any]:
    """The company's day: every contract, and offers that nobody can accept any more."""
    rows = list(
        Contract.objects.filter(organisation=company, state=Contract.State.RUNNING)
        .select_related("offer__survey", "offer__book", "client", "organisation")
        .order_by("id")
    )
    for place, contract in enumerate(rows):
        report(place / len(rows), f"Contract {contract.offer.number}")
        hold_contract(contract, report)
    expiring = Offer.objects.filter(organisation=company, state=Offer.State.ISSUED).select_related("client")
    for offer in expiring:
        today = today_of(offer.client)
        if today > offer.valid_until - timedelta(days=7):
            announce(
                "contract_deadline",
                f"offer {offer.pk}",
                f"Offer {offer.number} to {offer.client} can be accepted until {offer.valid_until}.",
                organisation_id=company.pk,
                address=f"/contracts/offers/{offer.pk}/",
                urgent=False,
            )
    return {"contracts": len(rows)}


def may_work_at(contract: Contract) -> bool:
    return any(
        client.organisation.pk == contract.client_id and client.at_least(Level.WORK)
        for client in clients_of(contract.organisation)
    )

"""A contract in force: promised tasks with deadlines, changes priced by rule, how it pays, claims, renewal, ending."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.care.models import Task
from fleet.contracts import book, claims, one_heater, paying, rounds, running
from fleet.contracts.models import Contract, ContractChange, ContractHeater, WarrantyClaim
from fleet.contracts.running import _cents
from fleet.estate import grants
from fleet.estate.background import work_off
from fleet.estate.models import AccessGrant, Happening
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater
from tests.conftest import Cast, make_heater
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import TODAY, at_company, day_is, fresh, scope_of_person

Open = Callable[..., AccessGrant]


def hold(contract: Contract) -> dict[str, int]:
    with scoped(scope_of_organisation(contract.organisation_id, actor="round")):
        return rounds.hold_contract(fresh(contract))


def leave_service(cast: Cast, tag: str, ending: str, day: date, successor: str = "", **fields: Any) -> Heater:
    with scoped(scope_of_organisation(cast.house)):
        old = Heater.objects.get(tag=tag)
        old.ending, old.removed_precision = ending, "day"
        old.removed_earliest = old.removed_latest = day
        for name, value in fields.items():
            setattr(old, name, value)
        old.save()
        if successor:
            return Heater.objects.create(
                organisation=cast.house,
                position=old.position,
                tag=successor,
                kind=old.kind,
                capacity_gal=50,
                installed_earliest=day,
                installed_latest=day,
                installed_precision="day",
            )
        return old


def test_promised_care_becomes_tasks_with_deadlines_in_the_shared_queue(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    work_off()
    with scoped(scope_of_person(trade.fitter, trade.company)):
        tasks = Task.objects.filter(kind="relief_valve_test", promised_by__isnull=False)
        assert tasks.count() == 6
        assert {task.promised_by for task in tasks} == {TODAY + timedelta(days=rounds.FIRST_ROUND_DAYS)}
        assert {task.promised_words for task in tasks} == {f"Contract 1 of {trade.company}"}
        # Flushed on 1 June 2025 and promised each 12 months: by 1 June 2026.
        flushes = Task.objects.filter(kind="flush", promised_by__isnull=False)
        assert {task.promised_by for task in flushes} == {date(2026, 6, 1)}
    assert hold(contract)["promised"] == 0


def test_a_task_done_is_promised_again_an_interval_later(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    work_off()
    with scoped(scope_of_organisation(cast.house)):
        task = Task.objects.filter(kind="relief_valve_test", promised_by__isnull=False).order_by("id")[0]
        Task.objects.filter(pk=task.pk).update(state="done", closed_on=date(2026, 4, 10))
    day_is(cast, date(2026, 4, 11))
    assert hold(contract)["promised"] == 1
    with scoped(scope_of_organisation(cast.house)):
        following = Task.objects.get(heater_id=task.heater_id, kind="relief_valve_test", state="open")
        assert following.promised_by == date(2027, 4, 10)
    with at_company(trade):
        found = paying.standing_of(fresh(contract))
        figures = book.figures_of(contract.offer.book)
    hours = 15 / 60 * figures.of("labour_hour")
    assert found.care_cost == pytest.approx(hours + figures.trip_cost)
    assert (found.promised, found.done, found.late) == (1, 1, 0)


def test_a_heater_replaced_is_priced_by_the_rule_and_told(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    leave_service(cast, "H-2", "tank_leak", date(2026, 8, 1), "H-2b")
    day_is(cast, date(2026, 8, 3))
    hold(contract)
    with at_company(trade):
        row = fresh(contract)
        change = row.changes.get()
        assert change.what == ContractChange.What.REPLACED
        assert change.day == date(2026, 8, 1)
        new = row.heaters.get(heater__tag="H-2b")
        old = row.heaters.get(heater__tag="H-2")
        assert old.until == new.since == date(2026, 8, 1)
        assert change.price_before == row.offer.price
        assert change.price_after == row.offer.price - old.price_a_year + new.price_a_year
        cost = one_heater.cost_of_age(
            row.offer.survey, book.figures_of(row.offer.book), row.offer, new.heater.kind, 0.0, True
        )
        assert float(new.price_a_year) == pytest.approx(cost * row.offer.priced["loading"], abs=0.01)
        old_cost = one_heater.cost_of_age(
            row.offer.survey, book.figures_of(row.offer.book), row.offer, new.heater.kind, 20.0, True
        )
        assert cost < old_cost
    hold(contract)
    with at_company(trade):
        assert fresh(contract).changes.count() == 1


def test_a_heater_that_leaves_lowers_the_price_by_its_part_and_one_may_be_added(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    leave_service(cast, "H-3", "removed", date(2026, 5, 1))
    day_is(cast, date(2026, 5, 4))
    hold(contract)
    with at_company(trade):
        row = fresh(contract)
        gone = row.heaters.get(heater__tag="H-3")
        assert running.first_year_price(row) == row.offer.price - gone.price_a_year
        kept = row.heaters.filter(until=None)[0]
        with pytest.raises(running.ContractRefused, match="why"):
            running.remove_heater(row, kept, " ")
        running.remove_heater(row, kept, "sold")
        before = running.first_year_price(row)
        change = running.add_heater(row, Heater.objects.get(pk=kept.heater_id))
        assert change.price_after > before
        with pytest.raises(running.ContractRefused, match="already"):
            running.add_heater(row, Heater.objects.get(pk=kept.heater_id))


def test_a_heater_is_added_by_its_tag_however_many_there_are(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    with scoped(scope_of_organisation(cast.house)):
        for number in range(3):
            make_heater(cast.house, tag=f"L-{number}")
        make_heater(cast.house, "Cedar Place", "C-1")
    client, address = cast.client(trade.boss), reverse("contracts:add_heater", args=[contract.pk])
    for tag in ("C-1", "H-1", "nowhere", ""):
        answer = client.post(address, {"tag": tag}, follow=True)
        assert "is not under contract" in answer.content.decode(), tag
        assert (
            tag == ""
            or f'name="tag" list="other_heaters" required maxlength="80" autocomplete="off" value="{tag}"'
            in (answer.content.decode())
        )
    client.post(address, {"tag": "l-2"})
    with at_company(trade):
        assert contract.heaters.filter(until=None, heater__tag="L-2").exists()


def test_a_tank_that_failed_within_its_warranty_is_a_claim(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    leave_service(cast, "H-1", "tank_leak", date(2026, 4, 1), warranty_years=12)
    leave_service(cast, "H-2", "tank_leak", date(2026, 4, 1), warranty_years=6)
    leave_service(cast, "H-3", "replaced_as_planned", date(2026, 4, 1), warranty_years=12)
    day_is(cast, date(2026, 4, 2))
    hold(contract)
    hold(contract)
    with at_company(trade):
        claim = WarrantyClaim.objects.get()
        assert claim.heater.tag == "H-1"
        assert "warranty 12 years" in claim.words
        with pytest.raises(claims.ClaimRefused, match="how much"):
            claims.change_claim(claim, "paid", None, "")
        claims.change_claim(claim, "paid", Decimal("640.50"), "credit note")
        assert WarrantyClaim.objects.get().amount == Decimal("640.50")


def test_revoked_access_is_told_and_promises_stop(cast: Cast, trade: Trade, contract: Contract) -> None:
    with scoped(scope_of_organisation(cast.house, actor="Owner")):
        for grant in AccessGrant.objects.all():
            grants.revoke_access(grant)
    assert hold(contract)["promised"] == 0
    with at_company(trade):
        assert "no longer opens 6 heaters" in Happening.objects.get(urgent=True).sentence
    hold(contract)
    with at_company(trade):
        assert Happening.objects.filter(urgent=True).count() == 1


def test_the_term_ends_deadlines_are_told_and_promises_withdrawn(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    work_off()
    day_is(cast, date(2028, 12, 15))
    hold(contract)
    with at_company(trade):
        told = list(Happening.objects.filter(kind="contract_deadline").values_list("sentence", flat=True))
        assert any("ends on 2029-03-01" in sentence for sentence in told)
    day_is(cast, date(2029, 3, 2))
    assert hold(contract)["withdrawn"] > 0
    with scoped(scope_of_organisation(cast.house)):
        assert not Task.objects.filter(state="open", promised_by__isnull=False).exists()
    with at_company(trade):
        row = fresh(contract)
        assert row.state == Contract.State.ENDED
        assert not ContractHeater.objects.filter(until=None).exists()


def test_ending_early_needs_a_reason_and_the_client_reads_it(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    from fleet.contracts.models import ReceivedOffer

    with at_company(trade):
        row = fresh(contract)
        with pytest.raises(running.ContractRefused, match="why"):
            running.end_contract(row, date(2026, 9, 1), "")
        with pytest.raises(running.ContractRefused, match="last day"):
            running.end_contract(row, date(2031, 9, 1), "sold")
        running.end_contract(row, date(2026, 9, 1), "the house was sold")
    with scoped(scope_of_organisation(cast.house)):
        assert ReceivedOffer.objects.get().ended_because == "the house was sold"


@settings(deadline=None)
@given(st.lists(st.integers(1, 500_000), min_size=1, max_size=12), st.integers(1, 10**9))
def test_parts_in_cents_sum_to_the_whole(parts: list[int], cents: int) -> None:
    whole = Decimal(cents) / 100
    split = _cents({number: part / 100 for number, part in enumerate(parts)}, whole)
    assert sum(split.values(), Decimal(0)) == whole
    assert set(split) == set(range(len(parts)))


@settings(deadline=None)
@given(st.dates(date(2000, 1, 1), date(2090, 12, 31)), st.integers(1, 240))
def test_months_later_is_never_in_another_month(day: date, months: int) -> None:
    later = rounds.months_after(day, months)
    assert (later.year - day.year) * 12 + later.month - day.month == months
    assert later.day == day.day or (later.day < day.day and (later + timedelta(days=1)).day == 1)

"""A contract in force: promised tasks with deadlines, changes priced by rule, how it pays, claims, renewal, ending."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
import time_machine
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.care.models import Task
from fleet.contracts import book, claims, paying, pricing, rounds, running
from fleet.contracts.models import Contract, ContractChange, ContractHeater, Offer, WarrantyClaim
from fleet.contracts.running import _cents
from fleet.estate import grants
from fleet.estate.background import work_off
from fleet.estate.models import AccessGrant, Happening
from fleet.estate.scope import Level, scope_of_organisation, scoped
from fleet.heaters.models import Heater
from tests.conftest import Cast
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import TODAY, accepted, scope_of_person, standing_house

Open = Callable[..., AccessGrant]


@pytest.fixture
def contract(cast: Cast, trade: Trade, open_house: Open) -> Contract:
    standing_house(cast)
    open_house(Level.WORK)
    return accepted(cast, trade)


def at_company(trade: Trade) -> Any:
    return scoped(scope_of_person(trade.boss, trade.company))


def day_is(cast: Cast, day: date) -> None:
    cast.house.calendar_stands_at = day
    cast.house.save()


def fresh(contract: Contract) -> Contract:
    found: Contract = Contract.objects.select_related(
        "offer__book", "offer__survey", "client", "organisation"
    ).get(pk=contract.pk)
    return found


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
        cost = pricing.cost_of_age(
            row.offer.survey, book.figures_of(row.offer.book), row.offer, new.heater.kind, 0.0, True
        )
        assert float(new.price_a_year) == pytest.approx(cost * row.offer.priced["loading"], abs=0.01)
        old_cost = pricing.cost_of_age(
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


def test_jobs_are_costed_and_response_is_held_against_the_promise(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    called = datetime(2026, 3, 6, 22, 0, tzinfo=UTC)  # a Friday afternoon in Denver
    with time_machine.travel("2026-03-20"), at_company(trade):
        row = fresh(contract)
        figures = book.figures_of(row.offer.book)
        quick = paying.enter_job(
            row, cast.heater, "repair", called, called + timedelta(hours=20), Decimal(2), Decimal(100), True
        )
        slow = paying.enter_job(
            row, cast.heater, "call", called, called + timedelta(days=3), Decimal(1), Decimal(0), False
        )
        hour, way = figures.of("labour_hour"), figures.of("trip_hours")
        assert float(quick.cost) == pytest.approx((2 + way) * hour * 1.5 + figures.of("trip") + 100, abs=0.01)
        assert paying.in_time(row, quick)
        assert not paying.in_time(row, slow)
        row.offer.response = Offer.Response.WORKING_DAY
        assert paying.in_time(row, slow)  # Monday
        row.offer.response = Offer.Response.HOURS
        assert not paying.in_time(row, quick)
        with pytest.raises(paying.JobRefused, match="before the call"):
            paying.enter_job(
                row, cast.heater, "call", called, called - timedelta(1), Decimal(1), Decimal(0), False
            )
        long_ago = datetime(2020, 1, 1, tzinfo=UTC)
        with pytest.raises(paying.JobRefused, match="not under this contract"):
            paying.enter_job(row, cast.heater, "call", long_ago, long_ago, Decimal(1), Decimal(0), False)


def test_luck_or_price_is_read_off_the_priced_futures(cast: Cast, trade: Trade, contract: Contract) -> None:
    day_is(cast, date(2027, 3, 1))  # one whole year
    with at_company(trade):
        row = fresh(contract)
        calm = paying.standing_of(row)
        assert calm.elapsed_years == pytest.approx(1, abs=0.01)
        assert calm.revenue == pytest.approx(float(row.offer.price), rel=1e-6)
        assert calm.place == 0
        assert "Cheap" in calm.sentence
        yearly = pricing.unpack_paths(row.offer.paths)
        assert sum(bar["share"] for bar in calm.histogram) == pytest.approx(1)
        with time_machine.travel("2027-03-02"):
            moment = datetime(2026, 12, 1, 12, tzinfo=UTC)
            paying.enter_job(
                row, cast.heater, "replacement", moment, moment, Decimal(10), Decimal(900_000), False
            )
        dear = paying.standing_of(row)
        assert dear.place == 1
        assert "too low" in dear.sentence
        assert dear.kinds[0].cost == pytest.approx(dear.cost)
        lesson = paying.experience_of(dear)
        chance = float(np.var(yearly[:, 0])) / float(np.mean(yearly[:, 0])) ** 2
        z = 1 / (1 + chance / paying.BETWEEN_CONTRACTS)
        assert lesson.factor == pytest.approx(z, rel=0.02)
        assert lesson.weighed == pytest.approx(z * lesson.ratio + 1 - z, rel=1e-6)


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

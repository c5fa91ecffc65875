"""How a contract pays: jobs costed, luck or a wrong price for what is under contract now, what its jobs taught."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
import time_machine

from fleet.contracts import book, one_heater, paying, priced_now, running
from fleet.contracts.models import Contract, Offer
from fleet.estate.scope import scope_of_organisation, scoped
from tests.conftest import Cast, make_heater
from tests.fleet.contracts.conftest import Trade
from tests.fleet.contracts.made_up import FAILURES, REPAIRS, TODAY, at_company, day_is, fresh


def test_jobs_are_costed_and_response_is_held_against_the_promise(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    day_is(cast, date(2026, 3, 20))
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
        with pytest.raises(paying.JobRefused, match="has passed"):
            paying.enter_job(
                row, cast.heater, "call", called, called + timedelta(days=30), Decimal(1), Decimal(0), False
            )
        with pytest.raises(paying.JobRefused, match="before the call"):
            paying.enter_job(
                row, cast.heater, "call", called, called - timedelta(1), Decimal(1), Decimal(0), False
            )
        long_ago = datetime(2020, 1, 1, tzinfo=UTC)
        with pytest.raises(paying.JobRefused, match="not under this contract"):
            paying.enter_job(row, cast.heater, "call", long_ago, long_ago, Decimal(1), Decimal(0), False)


def replaced_on(trade: Trade, cast: Cast, contract: Contract, materials: int, day: datetime) -> None:
    """A replacement of five hours under the contract, entered by the company."""
    with time_machine.travel("2027-03-02"), at_company(trade):
        row = fresh(contract)
        paying.enter_job(row, cast.heater, "replacement", day, day, Decimal(5), Decimal(materials), False)


def test_luck_or_price_is_read_off_the_priced_futures(cast: Cast, trade: Trade, contract: Contract) -> None:
    """Six heaters at 0.05 failures and 0.12 repairs a year: nothing happens to them in a year with chance
    exp(-6 x 0.17) = 0.36, so a year without a job has 18 of 100 futures below it and is no sign of anything."""
    day_is(cast, date(2027, 3, 1))  # one whole year
    with at_company(trade):
        row = fresh(contract)
        calm = paying.standing_of(row)
        assert calm.elapsed_years == pytest.approx(1)
        assert calm.revenue == pytest.approx(float(row.offer.price), rel=1e-6)
        assert calm.place == pytest.approx(np.exp(-6 * (FAILURES + REPAIRS)) / 2, abs=0.04)
        assert "Within what was priced" in calm.sentence
        assert sum(bar["share"] for bar in calm.histogram) == pytest.approx(1)
        figures = book.figures_of(row.offer.book)
        each = {
            what: one_heater.job_cost(figures, row.offer, "gas_storage_atmospheric", what)
            for what in ("repair", "call", "replacement")
        }
        priced = 6 * (REPAIRS * each["repair"] + FAILURES * (each["call"] + each["replacement"]))
        assert calm.jobs_priced == pytest.approx(priced, rel=0.2)
    replaced_on(trade, cast, contract, 900_000, datetime(2026, 12, 1, 12, tzinfo=UTC))
    with at_company(trade):
        dear = paying.standing_of(fresh(contract))
        assert dear.place == 1
        assert "too low" in dear.sentence
        assert dear.kinds[0].cost == pytest.approx(dear.cost)
        assert dear.kinds[0].priced == pytest.approx(dear.priced_mean)


def test_the_same_cost_is_luck_for_six_heaters_and_a_wrong_price_for_one(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    """One replacement in a year: of six heaters at 0.05 a year none fails with chance exp(-0.3) = 0.74, so three in
    four futures were cheaper; of one heater none fails with chance exp(-0.05) = 0.95."""
    day_is(cast, date(2027, 3, 1))
    replaced_on(trade, cast, contract, 1_300, datetime(2026, 12, 1, 12, tzinfo=UTC))
    with at_company(trade):
        six = paying.standing_of(fresh(contract))
        assert six.place == pytest.approx(np.exp(-6 * FAILURES), abs=0.07)
        assert "Within what was priced" in six.sentence
    day_is(cast, TODAY)
    with at_company(trade):
        row = fresh(contract)
        for under in row.heaters.filter(until=None).exclude(heater=cast.heater):
            running.remove_heater(row, under, "sold")
    day_is(cast, date(2027, 3, 1))
    with at_company(trade):
        alone = paying.standing_of(fresh(contract))
        assert alone.place == pytest.approx(np.exp(-FAILURES), abs=0.035)
        assert alone.sentence.startswith("Dear")
        assert alone.jobs_priced == pytest.approx(six.jobs_priced / 6, rel=0.5)
        assert alone.care_priced < six.care_priced / 2


def test_a_heater_that_came_later_is_priced_from_its_day_on(
    cast: Cast, trade: Trade, contract: Contract
) -> None:
    with scoped(scope_of_organisation(cast.house)):
        late = [make_heater(cast.house, tag=f"L-{number}") for number in range(6)]
    day_is(cast, date(2026, 9, 1))
    with at_company(trade):
        for heater in late:
            running.add_heater(fresh(contract), heater)
    day_is(cast, date(2027, 3, 1))
    with at_company(trade):
        found = paying.standing_of(fresh(contract))
        alone = priced_now.priced_by(
            fresh(contract), list(contract.heaters.exclude(heater__in=late)), found.today
        )
        assert found.jobs_priced == pytest.approx(1.5 * alone.expected_jobs, rel=0.2)
        assert found.kinds[0].priced == pytest.approx(found.priced_mean)


def test_what_jobs_cost_is_weighed_by_their_number(cast: Cast, trade: Trade, contract: Contract) -> None:
    """Buhlmann's z = n / (n + s2 / a) with n jobs alike, s the spread of one and a = 0.04 between contracts."""
    day_is(cast, date(2027, 3, 1))
    with at_company(trade):
        assert "No job" in paying.experience_of(paying.standing_of(fresh(contract))).sentence
    for month in (4, 6, 8):
        replaced_on(trade, cast, contract, 3_000, datetime(2026, month, 1, 12, tzinfo=UTC))
    with at_company(trade):
        row = fresh(contract)
        figures = book.figures_of(row.offer.book)
        spread = figures.of("repair_spread")
        lesson = paying.experience_of(paying.standing_of(row))
        z = 3 / (3 + spread**2 / 0.04)
        # What the book says: the materials and hours of a replacement, and the way.
        says = one_heater.job_cost(figures, row.offer, "gas_storage_atmospheric", "replacement", 0.0)
        ratio = figures.job_cost(5, 3_000, False) / (says + figures.trip_cost)
        assert lesson.factor == pytest.approx(z)
        assert lesson.ratio == pytest.approx(ratio, rel=1e-4)
        assert lesson.weighed == pytest.approx(z * ratio + 1 - z, rel=1e-4)


def test_a_repair_stands_in_the_owners_record_once(cast: Cast, trade: Trade, contract: Contract) -> None:
    day_is(cast, date(2026, 3, 20))
    called = datetime(2026, 3, 6, 15, 0, tzinfo=UTC)
    with time_machine.travel("2026-03-20"), at_company(trade):
        for minutes in (0, 5):
            moment = called + timedelta(minutes=minutes)
            paying.enter_job(
                fresh(contract),
                cast.heater,
                "repair",
                moment,
                moment,
                Decimal(1),
                Decimal(9),
                False,
                "burner",
            )
    with scoped(scope_of_organisation(cast.house)):
        repair = cast.heater.services.get(kind="repaired")
        assert (repair.done_latest, repair.notes) == (date(2026, 3, 6), "burner")
        assert repair.done_by == trade.company.name


def test_a_job_is_entered_by_the_tag_on_the_heater(cast: Cast, trade: Trade, contract: Contract) -> None:
    client, address = cast.client(trade.boss), f"/contracts/{contract.pk}/job/"
    given = {
        "what": "repair",
        "called_at": f"{TODAY}T09:00",
        "came_at": f"{TODAY}T11:00",
        "hours": "1.5",
        "materials": "80",
    }
    wrong = client.post(address, given | {"tag": "H-77"}, follow=True).content.decode()
    assert "none of this contract that is open to you has the tag" in wrong
    client.post(address, given | {"tag": "h-2"})
    with at_company(trade):
        assert [job.heater.tag for job in contract.jobs.all()] == ["H-2"]

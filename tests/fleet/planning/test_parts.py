"""A large forecast cut into parts: the same numbers whoever computes them, however often a worker is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from io import StringIO
from typing import Any

import numpy as np
import pytest
from django.core.management import call_command
from django.urls import reverse
from django.utils import timezone

from fleet.estate.models import Building, Organisation, Person, Property
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.estate.services import admit_person
from fleet.heaters.models import Heater
from fleet.pages import forecasts
from fleet.planning import blocks, chain, parts, ranking, services
from fleet.planning.frames import standing_by_property
from fleet.planning.models import ForecastPart, ForecastRun, HeaterOutlook
from tests.forecasting.made_up import invented_posterior

pytestmark = pytest.mark.django_db


@pytest.fixture
def house(monkeypatch: pytest.MonkeyPatch) -> Any:
    """An invented estate of four hundred heaters, cut into several parts as if it were large."""
    monkeypatch.setattr(blocks, "BLOCK_HEATERS", 30)
    call_command("make_estate", heaters=400, seed=3, name="Large (invented)", stdout=StringIO())
    made = Organisation.objects.get(name="Large (invented)")
    with scoped(scope_of_organisation(made, actor="test")):
        yield made


def open_run(house: Organisation, draws: int = 60) -> ForecastRun:
    return services.open_run(house, horizon_years=5, draws=draws)


def what_it_says(run: ForecastRun) -> tuple[Any, ...]:
    run.refresh_from_db()
    rows = HeaterOutlook.objects.filter(run=run).order_by("rank")
    listed = rows.values_list("rank", "heater_id", "p_fail_36_months", "reasons", "remedies", "planned_cost")
    return run.state, run.inputs_digest, run.result_digest, run.result, list(listed)


def chances_of(run: ForecastRun) -> dict[int, float]:
    return dict(HeaterOutlook.objects.filter(run=run).values_list("heater_id", "p_fail_36_months"))


class Lost(BaseException):
    """The worker's process ends here."""


def test_parts_give_the_same_bits_in_one_process_and_with_workers_lost_on_the_way(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = services.run_forecast(open_run(house))
    assert ForecastPart.objects.filter(run=alone).count() >= 5

    again = open_run(house)
    keep, kept = parts._keep, []

    def lost_after_two(run: ForecastRun, part: ForecastPart, *answer: Any) -> None:
        if len(kept) == 2:
            raise Lost  # having computed the part, before it could be written down
        kept.append(part.number)
        keep(run, part, *answer)

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(parts, "_keep", lost_after_two)
        with pytest.raises(Lost):
            services.run_forecast(again)
    assert ForecastPart.objects.filter(run=again, done=True).count() == 2
    again.refresh_from_db()
    assert again.state == ForecastRun.State.RUNNING
    assert HeaterOutlook.objects.filter(run=again).exists()
    assert parts.help_with(again.pk, services.question_of) >= 1, "a helper takes what is free"
    assert not ForecastPart.objects.filter(run=again, done=False, claimed_until=None).exists()
    assert ForecastPart.objects.filter(run=again, done=False).count() == 1, (
        "what the lost one held is held yet"
    )
    ForecastPart.objects.filter(run=again, done=False).update(
        claimed_until=timezone.now() - timedelta(seconds=1)
    )
    services.run_forecast(again)
    assert what_it_says(again) == what_it_says(alone)
    assert parts.help_with(again.pk, services.question_of) == 0


def test_all_heaters_are_ranked_whoever_writes_their_places_down(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, write, written = open_run(house), ranking._write, list[int]()

    def lost_after_one(*answer: Any) -> None:
        if written:
            raise Lost  # with the places in hand, before they could be written down
        written.append(1)
        write(*answer)

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(ranking, "_write", lost_after_one)
        with pytest.raises(Lost):
            services.run_forecast(run)
    ForecastPart.objects.filter(run=run).update(claimed_until=timezone.now() - timedelta(seconds=1))
    waiting = ForecastPart.objects.filter(run=run, places__isnull=False).count()
    assert waiting >= 4
    assert parts.help_with(run.pk, services.question_of) == waiting
    services.run_forecast(run)
    run.refresh_from_db()
    assert run.state == ForecastRun.State.DONE
    found = HeaterOutlook.objects.filter(run=run).values_list(
        "p_fail_36_months", "p_fail_12_months", "heater_id", "rank"
    )
    by_chance = sorted(found, key=lambda row: (-row[0], -row[1], row[2]))
    assert [row[3] for row in by_chance] == list(range(1, len(by_chance) + 1))
    assert len(by_chance) == Heater.objects.filter(ending="").count()


def test_a_part_knows_which_draws_go_by_the_ages_found_standing(house: Organisation) -> None:
    heard = np.arange(50) % 3 > 0
    posterior = replace(invented_posterior(50), removals_per_year=0.02, hears_ages=heard)
    run, property_ids = open_run(house), list(Property.objects.values_list("pk", flat=True))
    asked = services.question_of(run)[1]
    ground = replace(chain.ground_of(run.as_of, property_ids, asked), ageing=np.zeros(1))
    part = ForecastPart(run=run, question=parts._question(posterior, ground, property_ids))
    again, _ = parts._read_question(part, run, asked)
    assert again.removals_per_year == 0.02
    assert np.array_equal(again.hears_ages, heard)


def test_a_helper_makes_parts_ready_while_the_fit_is_made_and_the_bits_are_the_same(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = services.run_forecast(open_run(house))
    run, ask, said = open_run(house), parts.ask, list[Any]()

    def slow(*answer: Any, **kept: Any) -> None:
        said.append((answer, kept))
        raise Lost  # for this process the one that makes the fit stands still here

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(parts, "ask", slow)
        with pytest.raises(Lost):
            services.run_forecast(run)
        [(answer, kept)] = said
        made_ready, numbers = parts._made_ready, list[tuple[bool, int]]()

        def noted(run: ForecastRun, part: ForecastPart, *rest: Any) -> Any:
            numbers.append((parts.begun(run), part.number))
            return made_ready(run, part, *rest)

        meanwhile.setattr(parts, "_made_ready", noted)
        meanwhile.setattr(parts, "MOST_READY", 2)
        meanwhile.setattr(parts, "_look_again", lambda: ask(*answer, **kept))
        count = ForecastPart.objects.filter(run=run).count()
        assert parts.help_with(run.pk, services.question_of) == count
    assert numbers[:2] == [(False, count - 1), (False, count - 2)], (
        "from the last one on, before the fit is known"
    )
    assert sorted(number for _, number in numbers) == list(range(count)), "what is ready is not made again"
    services.run_forecast(run)
    assert what_it_says(run) == what_it_says(alone)


def test_a_kind_that_stands_only_where_nothing_is_fitted_has_its_outlook_too(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blocks, "FIT_HEATERS", 200)
    recorded, _ = standing_by_property(services.today_of(house))
    left_out = sorted({number for number, _ in recorded} - set(blocks.sample(recorded)))
    rare = Heater.objects.filter(ending="", position__building__property__in=left_out).first()
    assert rare is not None
    Heater.objects.filter(kind="boiler_with_tank").update(kind="electric_storage")
    Heater.objects.filter(pk=rare.pk).update(kind="boiler_with_tank")
    run = services.run_forecast(open_run(house))
    assert HeaterOutlook.objects.get(run=run, heater=rare).p_fail_36_months > 0
    assert "boiler_with_tank" in {row["key"] for row in run.result["groups"]["kind"]}


def test_lost_while_the_fit_is_made_it_is_made_again(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(*answer: Any, **kept: Any) -> None:
        raise Lost

    run = open_run(house)
    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(parts, "ask", lost)
        with pytest.raises(Lost):
            services.run_forecast(run)
    laid_out = set(ForecastPart.objects.filter(run=run).values_list("pk", flat=True))
    assert laid_out
    services.run_forecast(run)
    assert not laid_out & set(ForecastPart.objects.filter(run=run).values_list("pk", flat=True))
    assert what_it_says(run) == what_it_says(services.run_forecast(open_run(house)))


def test_a_part_that_two_workers_computed_counts_once(house: Organisation) -> None:
    """The first one's claim ran out while it was still at it; it comes back late."""
    run = open_run(house)
    alone = services.run_forecast(open_run(house))
    late: list[tuple[Any, ...]] = []
    keep = parts._keep

    def slow_once(*answer: Any) -> None:
        if not late:
            late.append(answer)
            ForecastPart.objects.filter(pk=answer[1].pk).update(
                claimed_until=timezone.now() - timedelta(seconds=1)
            )
            return
        keep(*answer)

    with pytest.MonkeyPatch.context() as meanwhile:
        meanwhile.setattr(parts, "_keep", slow_once)
        services.run_forecast(run)
    keep(*late[0])
    assert what_it_says(run) == what_it_says(alone)


def test_every_grouping_sums_to_the_portfolio_to_the_cent_and_agrees_with_one_piece(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    cut = services.run_forecast(open_run(house, draws=200))
    monkeypatch.setattr(blocks, "BLOCK_HEATERS", 4000)
    whole = services.run_forecast(open_run(house, draws=200))
    assert not ForecastPart.objects.filter(run=whole).exists()
    for run in (cut, whole):
        run.refresh_from_db()
        kinds = Heater.objects.filter(ending="").values_list("kind", flat=True).distinct()
        assert set(run.diagnostics["lives"]) == set(kinds), "the curve of every kind in service is kept"
        groups = run.result["groups"]
        for year, total in enumerate(groups["total"][0]["years"]):
            for grouping in ("property", "building", "kind"):
                found = sum(Decimal(row["years"][year]["cost"]["expected"]) for row in groups[grouping])
                assert found == Decimal(total["cost"]["expected"]), (grouping, year)
    ends = [run.result["groups"]["total"][0]["years"][-1] for run in (cut, whole)]
    # The same law by other random numbers: means of 200 paths, spread about 10 % of the total.
    assert float(ends[0]["cost_so_far"]["expected"]) == pytest.approx(
        float(ends[1]["cost_so_far"]["expected"]), rel=0.08
    )
    monkeypatch.setattr(blocks, "BLOCK_HEATERS", 60)
    coarser = services.run_forecast(open_run(house, draws=200))
    assert ForecastPart.objects.filter(run=coarser).count() < ForecastPart.objects.filter(run=cut).count()
    fine, coarse, one_piece = (chances_of(run) for run in (cut, coarser, whole))
    assert fine == coarse, "a heater's own outlook does not depend on the cut"
    # In one piece the buildings are drawn by other random numbers.
    assert sum(fine.values()) == pytest.approx(sum(one_piece.values()), rel=0.03)
    for name in ("parameters", "chance", "prices"):  # 200 paths tell such a share to about 0.07
        assert cut.result["spread"][name] == pytest.approx(whole.result["spread"][name], abs=0.3)


def test_groups_that_are_not_listed_still_have_their_figures(
    house: Organisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = services.run_forecast(open_run(house))
    monkeypatch.setattr(blocks, "LISTED", 2)
    run = services.run_forecast(open_run(house))
    assert len(run.result["groups"]["property"]) == 2
    assert run.result["left_out"]["property"] == len(full.result["groups"]["property"]) - 2
    for number in [row["key"] for row in full.result["groups"]["property"]]:
        assert forecasts.years(run, "property", number) == forecasts.years(full, "property", number)
    last = Building.objects.order_by("-pk").first()
    assert last is not None
    assert forecasts.years(run, "building", last.pk) == forecasts.years(full, "building", last.pk) != []


def test_its_pages_open(house: Organisation, monkeypatch: pytest.MonkeyPatch, client: Any) -> None:
    monkeypatch.setattr(blocks, "LISTED", 3)
    services.run_forecast(open_run(house))
    admit_person(house, "p@almanac.example", "planner")
    client.force_login(Person.objects.get(email="p@almanac.example"))
    for address in ("planning:plan", "planning:heaters"):
        assert client.get(reverse(address)).status_code == 200
    assert (
        b"more stand each on its own page"
        in client.get(reverse("planning:grouped", args=["property"])).content
    )


def test_called_off_between_parts_it_leaves_nothing(house: Organisation) -> None:
    run = open_run(house)
    asked = iter([False] * 50)
    with pytest.raises(services.background.Cancelled):
        services.run_forecast(
            run, cancelled=lambda: ForecastPart.objects.filter(run=run, done=True).exists() or next(asked)
        )
    run.refresh_from_db()
    assert run.state == ForecastRun.State.CANCELLED
    assert not ForecastPart.objects.filter(run=run).exists()
    assert not HeaterOutlook.objects.filter(run=run).exists()

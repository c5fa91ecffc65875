"""The futures of a contract: failures as the outlook sees them, repairs as their law says, the same for a seed."""

from __future__ import annotations

import numpy as np
import pytest

from forecasting.contract_futures import contract_futures
from forecasting.outlook import failure_probabilities
from forecasting.repairs import RepairPrior, fit_repairs, load_repair_prior, repair_history
from tests.forecasting.made_up import KINDS, invented_posterior, invented_states
from tests.forecasting.records import made_records

NOTHING = made_records([])


def law(level: float = 1.0, shape: float = 1.4, dispersion: float = 0.4) -> object:
    prior = RepairPrior(np.full(2, level), np.full(2, 1e9), np.full(2, shape), np.full(2, 1e-9), dispersion)
    return fit_repairs(repair_history(NOTHING, KINDS), KINDS, prior, draws=50)


def test_failures_are_those_of_the_outlook() -> None:
    posterior, states = invented_posterior(draws=50), invented_states(30, vague=False)
    futures = contract_futures(posterior, states, law(), years=3, paths=4000, seed=1)  # type: ignore[arg-type]
    cell, heater = futures.place(futures.failures)
    failed = np.zeros((4000, 30))
    failed[cell // 3, heater] = 1
    chance = failure_probabilities(posterior, states, (3,), 50)[:, :, 0].mean(axis=1)
    error = np.sqrt(chance * (1 - chance) / 4000)
    assert (np.abs(failed.mean(axis=0) - chance) < 5 * error + 0.01).all()
    # Weather shared by all: a building's multiplier makes their failures go together more than chance alone.
    assert failed.sum(axis=1).var() > (chance * (1 - chance)).sum()


def test_repairs_of_heaters_that_do_not_fail_follow_the_power_law() -> None:
    posterior, states = invented_posterior(draws=50, scale=5000.0, spread=0), invented_states(10, plain=True)
    futures = contract_futures(posterior, states, law(), years=2, paths=3000, seed=2)  # type: ignore[arg-type]
    assert len(futures.failures) == 0
    ages = states.age_nodes[:, 0]
    _, heater = futures.place(futures.repairs)
    seen = np.bincount(heater, minlength=10) / 3000
    wanted = ((ages + 2) / 10) ** 1.4 - (ages / 10) ** 1.4
    assert seen == pytest.approx(wanted, rel=0.15, abs=0.02)


def test_a_heater_often_repaired_is_expected_to_be_repaired_more() -> None:
    lives = [{"installed_earliest": "2010-01-01", "installed_latest": "2010-01-01"}] * 2
    done = [{"heater_id": 1, "kind": "repaired", "done": f"20{year}-06-01"} for year in range(16, 24)]
    before = [{"heater_id": 2, "kind": "repaired", "done": "2012-06-01"}]  # the record began in 2015
    history = repair_history(made_records(lives, done + before), KINDS)
    assert len(history.event_age) == 8
    assert history.seen_from == pytest.approx([5, 5], abs=0.01)
    found = fit_repairs(history, KINDS, load_repair_prior(KINDS), draws=400)
    leaning = found.leanings(np.array([1, 2, 3]), 4000, np.random.default_rng(1)).mean(axis=0)
    assert leaning[0] > 1.2 > 1 > leaning[1]
    assert leaning[2] == pytest.approx(1, abs=0.05)


def test_the_same_seed_gives_the_same_happenings_and_another_other_ones() -> None:
    posterior, states = invented_posterior(), invented_states(12)
    one, same, other = (
        contract_futures(posterior, states, law(), 2, 200, seed)  # type: ignore[arg-type]
        for seed in (1, 1, 2)
    )
    assert one.failures.tolist() == same.failures.tolist()
    assert one.repairs.tolist() == same.repairs.tolist()
    assert one.repairs.tolist() != other.repairs.tolist()


def test_hard_water_adds_failures_and_typical_water_none() -> None:
    posterior, states = invented_posterior(), invented_states(20)
    more = contract_futures(posterior, states, law(), 3, 100, 1).more_by_water  # type: ignore[arg-type]
    hard = states.x[:, 0, 2]
    assert (np.sign(more[np.abs(hard) > 0.3]) == np.sign(hard[np.abs(hard) > 0.3])).all()
    plain = contract_futures(posterior, invented_states(20, plain=True), law(), 3, 100, 1)  # type: ignore[arg-type]
    assert plain.more_by_water == pytest.approx(np.zeros(20))


def test_every_kind_has_a_repair_rate_with_its_ground() -> None:
    from fleet.heaters.models import Kind

    prior = load_repair_prior([str(kind) for kind in Kind.values])
    assert (prior.by_age_10 > 0).all()
    with pytest.raises(ValueError, match="no repair rate for steam"):
        load_repair_prior(["steam"])

"""Who is told the law weighs the record as the law says: held against plain formulas and the simulator's own steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from tests.validation.simulator import STEP, TODAY, Heaters, Truth, fail_chance, make_fleet
from tests.validation.told import Histories, hazard_so_far, know, of_building

NO_RODS = Truth(anode_spent=0.0, planned_per_year=0.02)


def test_without_rods_a_building_is_weighed_as_the_weibull_law_says() -> None:
    fleet = make_fleet(60, 3.0, seed=4, truth=NO_RODS)
    law = know(fleet, NO_RODS)
    exact = law.seen.earliest == law.seen.latest
    law = replace(law, multipliers=np.array([0.5, 1.0, 1.7]))
    found, wanted = np.zeros(3), np.zeros(3)
    for building in np.unique(law.places.building[law.seen.place[~exact]]):
        exact &= law.places.building[law.seen.place] != building
    for building in np.unique(law.places.building[law.seen.place[exact]]):
        found += of_building(law, int(building), 3, np.random.default_rng(1))[0]
    for row in np.flatnonzero(exact):
        place = law.seen.place[row]
        shape, scale = (values[law.places.kind[place]] for values in (NO_RODS.shape, NO_RODS.scale))
        rates = law.multipliers * np.exp(law.log_rate[place])
        age = law.seen.end[row] - law.seen.earliest[row]
        wanted -= rates * (age / scale) ** shape
        wanted += law.seen.failed[row] * np.log(rates * shape / scale * (age / scale) ** (shape - 1))
        if law.seen.earliest[row] < law.begin - 0.01:
            for number, rate in enumerate(rates):
                stays = quad(lambda a, r=rate, k=shape, s=scale: np.exp(-r * (a / s) ** k - 0.02 * a), 0, 120)
                wanted[number] -= np.log(stays[0])
    assert exact.sum() > 10
    assert np.ptp(wanted) > 1
    assert found == pytest.approx(wanted, abs=0.02)


def test_a_rod_spent_and_renewed_adds_hazard_as_in_the_simulator() -> None:
    law = Truth()
    fleet = make_fleet(25, 3.0, seed=4, truth=law)
    place, birth = 0, TODAY - 20.0
    rods, lives = [birth, birth + 9.0, birth + 13.0, np.inf], [6.0, 30.0, 2.5, 1.0]
    known = Histories(np.array([birth]), np.array([rods]), np.array([lives]), np.zeros(1))
    grown, log_hazard = hazard_so_far(
        law, int(fleet.places.kind[place]), known, np.array([birth + 14.0, TODAY])
    )
    total, sums, n = 0.0, [], len(fleet.places.kind)
    for step in range(round(20 / STEP)):
        now = birth + step * STEP
        rod = int(np.searchsorted(rods, now + STEP / 2)) - 1
        heaters = Heaters(np.full(n, birth), np.full(n, rods[rod]), np.full(n, lives[rod]))
        total -= np.log1p(-fail_chance(law, fleet.places, heaters, now, np.zeros(n), STEP)[place])
        sums.append(total)
    at = [round(14 / STEP) - 1, round(20 / STEP) - 1]
    assert grown[0] == pytest.approx(np.array(sums)[at], rel=0.01)
    assert log_hazard[0] == pytest.approx(np.log(np.diff(sums)[np.array(at) - 1] / STEP), abs=0.02)


def test_multipliers_are_foretold_as_wide_as_they_turn_out() -> None:
    law = Truth(dispersion=0.4)
    foretold, true = [], []
    for seed in (11, 12):
        fleet = make_fleet(700, 10.0, seed, law)
        known, generator = know(fleet, law), np.random.default_rng(seed)
        for building in np.unique(fleet.places.building):
            total = of_building(known, int(building), 60, generator)[0]
            foretold.append(np.average(known.multipliers, weights=np.exp(total - total.max())))
            true.append(fleet.places.multiplier[fleet.places.building == building][0])
    line = np.polyfit(foretold, true, 1)
    assert len(true) > 50
    assert np.corrcoef(foretold, true)[0, 1] > 0.8
    assert line[0] == pytest.approx(1, abs=0.15)
    assert np.mean(foretold) == pytest.approx(np.mean(true), abs=0.1)

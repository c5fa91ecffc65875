"""The likelihood: derivatives, cutting where nothing changes, and the integrals it claims to do in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma as gamma_law

from forecasting.climbing import climb
from forecasting.episodes import COVARIATES, Episodes
from forecasting.hazard import dispersion_of, eta_of
from forecasting.lifetimes import load_prior
from forecasting.target import Target, build_target
from forecasting.thinning import thin

KINDS = ("gas_storage_atmospheric", "electric_storage")


def invented_episodes(
    seed: int, n: int = 40, buildings: int = 4, nodes: int = 0, gaps: bool = False
) -> Episodes:
    """Random episodes of two kinds; every fourth heater gets ``nodes`` install dates, every third a gap."""
    g = np.random.default_rng(seed)
    rows = []
    for heater in range(n):
        kind, building = g.integers(2), g.integers(buildings)
        entry, span = g.uniform(0, 12), g.uniform(0.3, 6)
        event, x = bool(g.random() < 0.5), g.normal(0, 0.5, len(COVARIATES))
        gap = entry + span * 0.6 if gaps and event and heater % 3 == 0 else np.nan
        count = nodes if nodes and heater % 4 == 0 else 1
        for node in range(count):
            weight = np.log(1 / count)
            late = node * 0.7
            rows.append(
                (
                    heater,
                    kind,
                    building,
                    entry + late,
                    entry + late + span,
                    event,
                    gap + late,
                    node,
                    weight,
                    x,
                )
            )
    rows.sort(key=lambda r: (r[1], r[2], r[0], r[7]))
    columns = list(zip(*rows, strict=True))
    whole = [np.array(columns[i], dtype=np.int64) for i in (0, 1, 2, 7)]
    real = [np.array(columns[i], dtype=float) for i in (3, 4, 6, 8)]
    return Episodes(
        heater=whole[0],
        kind=whole[1],
        building=whole[2],
        entry_age=real[0],
        exit_age=real[1],
        event=np.array(columns[5]),
        interval_lower=real[2],
        x=np.array(columns[9]),
        node=whole[3],
        node_log_weight=real[3],
        heater_ids=tuple(range(n)),
        kinds=KINDS,
        buildings=tuple(range(buildings)),
    )


def target_of(episodes: Episodes) -> Target:
    prior = load_prior(KINDS, COVARIATES)
    return build_target(episodes, prior, np.arange(2), np.arange(len(COVARIATES)))


def somewhere(seed: int, v: float = 0.2) -> np.ndarray:
    g = np.random.default_rng(seed)
    near = np.concatenate([np.log([2.5, 3.0]), np.log([12.0, 10.0]), g.normal(0, 0.3, len(COVARIATES))])
    return np.append(near, eta_of(v))


@pytest.mark.parametrize(("nodes", "gaps"), [(0, False), (3, False), (0, True), (3, True)])
def test_gradient_is_the_slope_of_the_value(nodes: int, gaps: bool) -> None:
    target = target_of(invented_episodes(1, nodes=nodes, gaps=gaps))
    theta, step = somewhere(2), 1e-5
    point = target.point(theta)
    either = np.concatenate([theta + step * np.eye(len(theta)), theta - step * np.eye(len(theta))])
    values = target.many(either)[0]
    slope = (values[: len(theta)] - values[len(theta) :]) / (2 * step)
    # With mixtures the fixed point of the multipliers is reached to a few digits only.
    np.testing.assert_allclose(point.gradient, slope, rtol=1e-4 if nodes or gaps else 1e-6, atol=2e-3)


def test_hessian_is_the_slope_of_the_gradient_without_mixtures() -> None:
    target = target_of(invented_episodes(3))
    theta, step = somewhere(4), 1e-5
    point = target.point(theta)
    for j in range(len(theta)):
        move = np.zeros(len(theta))
        move[j] = step
        slope = (target.point(theta + move).gradient - target.point(theta - move).gradient) / (2 * step)
        np.testing.assert_allclose(point.hessian[:, j], slope, rtol=1e-5, atol=1e-4)


def test_hessian_is_near_the_slope_of_the_gradient_with_mixtures() -> None:
    target = target_of(invented_episodes(3, nodes=3, gaps=True))
    theta, step = somewhere(4), 1e-4
    point = target.point(theta)
    size = np.sqrt(np.abs(np.diag(point.hessian)))
    for j in range(len(theta)):
        move = np.zeros(len(theta))
        move[j] = step
        slope = (target.point(theta + move).gradient - target.point(theta - move).gradient) / (2 * step)
        assert np.all(np.abs(point.hessian[:, j] - slope) < 0.1 * size * size[j])


def cut(episodes: Episodes, row: int, share: float) -> Episodes:
    """The same episodes with one row cut in two at a share of its span."""
    entry, leave = episodes.entry_age[row], episodes.exit_age[row]
    middle = entry + share * (leave - entry)
    lower = episodes.interval_lower[row]
    if middle >= lower:
        middle = (entry + lower) / 2
    index = np.insert(np.arange(len(episodes.heater)), row, row)
    names = ("heater", "kind", "building", "entry_age", "exit_age", "event", "interval_lower")
    twice = {name: getattr(episodes, name)[index].copy() for name in names}
    twice["exit_age"][row] = twice["entry_age"][row + 1] = middle
    twice["event"][row], twice["interval_lower"][row] = False, np.nan
    more = {name: getattr(episodes, name)[index] for name in ("x", "node", "node_log_weight")}
    return replace(episodes, **twice, **more)


@settings(max_examples=40, deadline=None)
@given(row=st.integers(0, 59), share=st.floats(0.01, 0.99), seed=st.integers(0, 50), mixed=st.booleans())
def test_cutting_where_nothing_changes_changes_nothing(
    row: int, share: float, seed: int, mixed: bool
) -> None:
    episodes = invented_episodes(seed, nodes=3 if mixed else 0, gaps=mixed)
    row = row % len(episodes.heater)
    theta = somewhere(seed)[None, :]
    whole, parts = target_of(episodes).many(theta), target_of(cut(episodes, row, share)).many(theta)
    np.testing.assert_allclose(parts[0], whole[0], rtol=1e-10)
    np.testing.assert_allclose(parts[1], whole[1], rtol=1e-9)


def likelihood_by_quadrature(episodes: Episodes, theta: np.ndarray) -> float:
    """Log likelihood from its definition: lives mixed, then the building multiplier integrated numerically."""
    shape, median = np.exp(theta[:2]), np.exp(theta[2:4])
    beta, v = theta[4:-1], float(dispersion_of(theta[-1]))

    def cumulative(age: float, row: int) -> float:
        kind = episodes.kind[row]
        risk = np.exp(episodes.x[row] @ beta)
        return float(np.log(2) * (age / median[kind]) ** shape[kind] * risk)

    def given_z(z: float, building: int) -> float:
        product = 1.0
        for heater in np.unique(episodes.heater[episodes.building == building]):
            total = 0.0
            for row in np.flatnonzero(episodes.heater == heater):
                low, high = episodes.entry_age[row], episodes.exit_age[row]
                survived = np.exp(-z * (cumulative(high, row) - cumulative(low, row)))
                k = shape[episodes.kind[row]]
                term = survived
                if episodes.event[row] and np.isnan(episodes.interval_lower[row]):
                    term = survived * z * k / high * cumulative(high, row)
                elif episodes.event[row]:
                    start = cumulative(episodes.interval_lower[row], row) - cumulative(low, row)
                    term = np.exp(-z * start) - survived
                total += np.exp(episodes.node_log_weight[row]) * term
            product *= total
        return float(product * gamma_law.pdf(z, 1 / v, scale=v))

    return sum(
        float(np.log(quad(given_z, 0, 30, args=(b,), limit=200, epsabs=0, points=[0.5, 1, 2])[0]))
        for b in np.unique(episodes.building)
    )


@pytest.mark.parametrize(
    ("nodes", "gaps", "tolerance"), [(0, False, 1e-6), (3, False, 0.02), (0, True, 0.02), (3, True, 0.02)]
)
def test_closed_forms_equal_the_integrals(nodes: int, gaps: bool, tolerance: float) -> None:
    """The mixtures are linearised in z: over twelve heaters the error must stay far below one unit."""
    episodes = invented_episodes(6, n=12, buildings=3, nodes=nodes, gaps=gaps)
    target = target_of(episodes)
    theta, other = somewhere(7, v=0.3), somewhere(8, v=0.15)
    values = target.many(np.stack([theta, other]))[0] - target.prior.at(np.stack([theta, other]))
    exact = [likelihood_by_quadrature(episodes, at) for at in (theta, other)]
    np.testing.assert_allclose(values, exact, atol=tolerance)


def test_delayed_entry_counts_only_the_years_watched() -> None:
    episodes = invented_episodes(9, n=10)
    later = replace(episodes, entry_age=episodes.exit_age - 1e-3)
    exposure, late = (target_of(e).many(somewhere(1)[None, :])[1].sum() for e in (episodes, later))
    assert late < 0.01 * exposure


@pytest.mark.parametrize(("nodes", "gaps"), [(0, False), (4, True)])
def test_a_thinned_target_agrees_near_the_mode(nodes: int, gaps: bool) -> None:
    episodes = invented_episodes(11, n=4000, buildings=20, nodes=nodes, gaps=gaps)
    target = target_of(episodes)
    top = climb(target, somewhere(1))
    thinned = thin(target, top.point, 800)
    assert thinned.inner.n_rows < 1200
    g = np.random.default_rng(5)
    near = top.point.theta + g.standard_normal((50, len(top.point.theta))) @ top.root.T
    gap = target.many(near)[0] - thinned.many(near)[0]
    assert np.std(gap) < 0.15
    at_mode = thinned.many(top.point.theta[None, :])[1][:, 0]
    np.testing.assert_allclose(at_mode, top.point.exposure, rtol=1e-6)


@given(v=st.floats(0.0011, 0.99))
def test_dispersion_and_its_parameter_are_inverse(v: float) -> None:
    assert float(dispersion_of(eta_of(v))) == pytest.approx(v, rel=1e-3)

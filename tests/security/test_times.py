"""The comparison of answering times (`times.py`) sees what lies apart, and only that."""

from __future__ import annotations

import numpy as np

from tests.security.times import compared, failing


def made(shift_ms: float) -> list[list[float]]:
    """Twenty answers each of a foreign and a missing row, skewed as times are; known shift (gamma, scale 1 ms)."""
    draw = np.random.default_rng(7)
    return [list(draw.gamma(9, 1, 20) + shift_ms), list(draw.gamma(9, 1, 20))]


def test_what_lies_apart_fails_and_what_does_not_passes() -> None:
    alike = [compared(f"alike {n}", *made(0)) for n in range(50)]
    assert failing(alike, 0.5) == []
    apart = compared("apart", *made(8))
    assert 6 < apart.shift_ms < 10 and apart.low_ms > 0.5
    assert failing([*alike, apart], 0.5) == [apart]
    # Surely apart, and too little to show over a network.
    steady = compared("steady", [5.2 + n / 1000 for n in range(20)], [5.0 + n / 1000 for n in range(20)])
    assert steady.p < 1e-6
    assert failing([steady], 0.5) == []

"""Time of the whole fit against lifelines' plain Weibull fit with delayed entry, on the same rows.

Run: ``python -m tests.bench.posterior_speed [rows ...]`` (default 10000 100000 1000000).  The whole fit is two
kinds, eight effects, building multipliers and 1,000 joint draws; the plain fit is one Weibull with the same
columns and no draws.  Peak memory is that of a fresh process for each cell.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import time
import warnings
from multiprocessing.connection import Connection

import numpy as np
import pandas as pd

from forecasting.episodes import COVARIATES, Episodes
from forecasting.lifetimes import load_prior
from forecasting.posterior import fit

KINDS = ("electric_storage", "gas_storage_atmospheric")
MEDIAN, SHAPE = np.array([13.0, 10.0]), np.array([2.5, 3.0])
BETA = np.array([0.5, 0.2, 0.1, 0.0, 0.2, 0.1, 0.2, 0.3])
TARGET_SHARE = 0.25
TARGET_MEMORY_MIB = 1024


def invented_rows(rows: int, seed: int = 1) -> Episodes:
    """Delayed-entry episodes with known truth; 500 rows a building."""
    g = np.random.default_rng(seed)
    n_buildings = max(rows // 500, 4)
    kind, building = g.integers(0, 2, rows), g.integers(0, n_buildings, rows)
    order = np.lexsort((building, kind))
    kind, building = kind[order], building[order]
    x = g.normal(0, 0.6, (rows, len(BETA)))
    risk = g.gamma(1 / 0.2, 0.2, n_buildings)[building] * np.exp(x @ BETA)
    entry = np.where(g.random(rows) < 0.7, g.uniform(0, 14, rows), 0.0)
    shape, median = SHAPE[kind], MEDIAN[kind]
    needed = np.log(2) * (entry / median) ** shape + g.exponential(size=rows) / risk
    life = median * (needed / np.log(2)) ** (1 / shape)
    leave = np.minimum(life, entry + g.uniform(0.5, 8, rows))
    return Episodes(
        heater=np.arange(rows),
        kind=kind,
        building=building,
        entry_age=entry,
        exit_age=leave,
        event=life <= leave,
        interval_lower=np.full(rows, np.nan),
        x=x,
        node=np.zeros(rows, dtype=np.int64),
        node_log_weight=np.zeros(rows),
        heater_ids=tuple(range(rows)),
        kinds=KINDS,
        buildings=tuple(range(n_buildings)),
    )


def measure(engine: str, rows: int, pipe: Connection) -> None:
    """Send (seconds, peak MiB, a line about the answer)."""
    episodes = invented_rows(rows)
    if engine == "whole fit":
        prior = load_prior(KINDS, COVARIATES)
        start, busy = time.perf_counter(), time.process_time()
        posterior = fit(episodes, prior)
        took, busy = time.perf_counter() - start, time.process_time() - busy
        shape = np.exp(posterior.log_shape).mean(axis=0)
        words = f"shapes {shape.round(3)}, k-hat {posterior.diagnostics.k_hat:.2f}"
    else:
        from lifelines import WeibullAFTFitter

        frame = pd.DataFrame(episodes.x, columns=list(COVARIATES))
        frame["entry"], frame["exit"], frame["failed"] = episodes.entry_age, episodes.exit_age, episodes.event
        start, busy = time.perf_counter(), time.process_time()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            plain = WeibullAFTFitter().fit(frame, "exit", "failed", entry_col="entry")
        took, busy = time.perf_counter() - start, time.process_time() - busy
        words = f"shape {float(np.exp(plain.params_[('rho_', 'Intercept')])):.3f}"
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    pipe.send((took, peak, f"{busy:.2f} s of processor; {words}"))


def in_fresh_process(engine: str, rows: int) -> tuple[float, float, str]:
    here, there = multiprocessing.Pipe()
    context = multiprocessing.get_context("spawn")
    worker = context.Process(target=measure, args=(engine, rows, there))
    worker.start()
    there.close()
    answer: tuple[float, float, str] = here.recv()
    worker.join()
    return answer


def main(sizes: list[int]) -> int:
    print(f"{'rows':>9}  {'engine':<11} {'seconds':>8} {'peak MiB':>9}  answer")
    missed, times = 0, []
    for rows in sizes:
        whole = in_fresh_process("whole fit", rows)
        plain = in_fresh_process("plain AFT", rows)
        for name, (took, peak, words) in (("whole fit", whole), ("plain AFT", plain)):
            print(f"{rows:>9}  {name:<11} {took:>8.3f} {peak:>9.0f}  {words}")
        share = whole[0] / plain[0]
        print(f"{'':>9}  share of the plain fit's time: {share:.2f}")
        times.append(whole[0])
        if rows >= 1_000_000:
            missed += share > TARGET_SHARE or whole[1] > TARGET_MEMORY_MIB
    for low, high, quick, slow in zip(sizes, sizes[1:], times, times[1:], strict=False):
        print(f"rows x {high / low:.0f}: time x {slow / quick:.1f}")
    print(
        f"targets at 1,000,000 rows: {TARGET_SHARE} of the plain time, {TARGET_MEMORY_MIB} MiB: "
        + ("missed" if missed else "met")
    )
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main([int(word) for word in sys.argv[1:]] or [10_000, 100_000, 1_000_000]))

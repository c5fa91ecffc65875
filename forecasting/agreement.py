"""How far the ages at which heaters were found standing are believed: a chance, from the record since, not a verdict.

That the ages mislead (heaters were replaced by a plan nobody wrote down, say) has a chance before the record speaks.
The record speaks by how much better it is foretold with the ages than without them,

    P(record | ages) / P(record) = Z(record and ages) Z(nothing) / (Z(ages) Z(record)),

Z the integral of prior times likelihood.  A fit draws from both answers in the proportion that comes out (averaging
over models: Hoeting, Madigan, Raftery and Volinsky 1999, Statistical Science 14:382-417; from memory, not verified).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit

from forecasting.climbing import Top, climb
from forecasting.recurrence import ages_found
from forecasting.standing import Standing
from forecasting.target import Target

# Ages are heard as evidence on lives up to here: beyond it a record need not lean on how heaters were renewed before
# anyone kept records.
MOST_FAILURES_FOR_AGES, MOST_ROWS_FOR_AGES = 2_000, 30_000
CHANCE_SOUND = 0.9  # of ages that `standing` lets through, before the record speaks (engineering judgement)
LEAST_SHARE = (
    0.01  # an answer less likely than this is not drawn from: that would double a fit's work for nothing
)


@dataclass(frozen=True)
class Answer:
    """A density to draw from, its mode, and the share of the draws that it gets."""

    share: float
    target: Target
    top: Top


def answers(record: Target, top: Top, standing: Standing | None) -> tuple[tuple[Answer, ...], str]:
    """The record with the ages and without them, as far as each is believed, and words on it where lives are concerned.

    In buildings known to be old the ages are evidence on lives.  Where nothing can be heard so, they tell only of the
    buildings, and nothing while the record has no failure to speak with.
    """
    alone = (Answer(1.0, record, top),)
    if standing is None:
        return alone, ""
    few = record.failures.sum() <= MOST_FAILURES_FOR_AGES
    on_lives = bool(standing.old.any() and few and record.n_rows + len(standing.age) <= MOST_ROWS_FOR_AGES)
    if not on_lives and not record.failures.any():
        return alone, ""
    aged = replace(record, ages=ages_found(standing, len(record.failures), on_lives))
    aged_top = climb(aged, top.point.theta)
    share = float(expit(logit(CHANCE_SOUND) + _foretold_better(record, top, aged, aged_top)))
    words = _words(int(standing.old.sum()), share) if on_lives else ""
    if share < LEAST_SHARE:
        return alone, words
    if share > 1 - LEAST_SHARE:
        return (Answer(1.0, aged, aged_top),), words
    return (Answer(share, aged, aged_top), Answer(1 - share, record, top)), words


def _words(count: int, share: float) -> str:
    if share < LEAST_SHARE:
        return (
            f"The ages of {count} heaters found standing when the record began do not agree with what failed "
            "since: they were left out."
        )
    heard = (
        f"The ages of {count} heaters found standing in old buildings when the record began were heard too"
    )
    if share > 1 - LEAST_SHARE:
        return f"{heard}."
    return f"{heard}, in {100 * share:.0f} % of the draws: so likely it is, by what failed since, that they can be trusted."


def _foretold_better(record: Target, top: Top, aged: Target, aged_top: Top) -> float:
    """Log of P(record | ages) / P(record), each integral by Laplace's approximation at its mode."""
    gain = _log_integral(aged_top) - _log_integral(top)
    if aged.ages is None or not aged.ages.heard.any():
        return gain  # ages that tell of buildings alone weigh the record only: without one nothing is left of them
    ages = replace(aged, exact=(), mixed=(), failures=np.zeros(len(aged.failures)))
    nothing = replace(ages, ages=None)
    of_ages, of_nothing = (_log_integral(climb(target, target.start)) for target in (ages, nothing))
    return gain + of_nothing - of_ages


def _log_integral(top: Top) -> float:
    """Up to a constant that targets of one size share."""
    return top.point.value + float(np.log(np.diag(top.root)).sum())

"""Odds of an outcome late over early, within people who were seen at both: as counted, and with what else changed.

A conditional logistic regression with people as strata: whatever is a person's own cancels, and only people whose
outcome changed tell anything. With two observations per person it is a logistic regression of whether the outcome was
gained, on an intercept and the changes of covariates.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.optimize import linprog
from statsmodels.discrete.conditional_models import ConditionalLogit

from pipeline.core.arrays import Array

#: Fewest people whose outcome changed, per coefficient: with fewer the estimate is far off and its interval too short.
#: Common practice, no source.
FEWEST_PER_COEFFICIENT = 5
#: What only rounding makes.
TINY = 1e-9


class Odds(NamedTuple):
    """An odds ratio with its 95 % interval; infinite ends where the data have none."""

    ratio: float
    low: float
    high: float


def odds_as_counted(gained: int, lost: int) -> Odds:
    """Odds of the outcome late over early: how many gained it, over how many lost it.

    The interval is exact, from that of the share of those who gained it among those who changed (Clopper-Pearson by the
    beta distribution).

    Raises:
        ValueError: no one changed.
    """
    if gained + lost == 0:
        raise ValueError("No one changed, so there are no odds of a change.")
    low = float(special.betaincinv(gained, lost + 1, 0.025)) if gained else 0.0
    high = float(special.betaincinv(gained + 1, lost, 0.975)) if lost else 1.0
    return Odds(
        gained / lost if lost else np.inf,
        low / (1 - low) if low < 1 else np.inf,
        high / (1 - high) if high < 1 else np.inf,
    )


def odds_at_equal(gained: npt.ArrayLike, covariates: npt.ArrayLike) -> tuple[Odds, ...]:
    """The same with covariates that changed too.

    Args:
        gained: for each person whose outcome changed, whether it was gained, n.
        covariates: their changes from early to late for the same people, n or n x 2.

    Returns:
        Odds late over early at equal covariates, and for one more of each. Wald's intervals.

    Raises:
        ValueError: too few people, covariates that cannot be told from distance or from each other, or people whom all
            together tell apart completely, so that the estimate is infinite; the message says which.
    """
    has_gained, change = np.asarray(gained, dtype=bool), np.asarray(covariates, dtype=np.float64)
    n = len(has_gained)
    late = np.column_stack([np.ones(n), change.reshape(n, -1)])
    k = late.shape[1]
    if n < k * FEWEST_PER_COEFFICIENT:
        raise ValueError(
            f"{n} changed, and {['two', 'three'][k - 2]} coefficients need {k * FEWEST_PER_COEFFICIENT} "
            "(common practice, no source)"
        )
    if np.linalg.matrix_rank(late) < k:
        raise ValueError(
            "it changed alike in all who changed, so that it cannot be told from distance"
            if k == 2
            else "what changed cannot be told from distance, or from each other, in those who changed"
        )
    if _tell_apart(np.where(has_gained, 1.0, -1.0)[:, None] * late):
        raise ValueError(
            "it and distance together tell all who gained from all who lost, so that no estimate is finite"
        )
    both = np.concatenate([np.zeros_like(late), late])
    outcome = np.concatenate([~has_gained, has_gained]).astype(int)
    model = ConditionalLogit(outcome, both, groups=np.tile(np.arange(n), 2))
    fitted = model.fit(disp=False, method="newton")
    ends = np.exp(fitted.conf_int())
    return tuple(
        Odds(float(np.exp(b)), float(low), float(high)) for b, (low, high) in zip(fitted.params, ends, strict=True)
    )


def _tell_apart(signed: Array) -> bool:
    """Whether some combination of columns is nowhere on the wrong side, and somewhere on the right one (separation:
    Albert and Anderson 1984, doi 10.1093/biomet/71.1.1, from memory).

    Args:
        signed: columns of each person, turned round for those who lost.
    """
    best = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    return bool(-best.fun > TINY)

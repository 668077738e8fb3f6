"""Odds of an outcome late over early, within people who were seen at both: as counted, and with what else changed.

A conditional logistic regression with people as strata: whatever is a person's own cancels, and only people whose
outcome changed tell anything. With two observations per person it is a logistic regression of whether the outcome was
gained, on an intercept and the change of the covariate.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special
from statsmodels.discrete.conditional_models import ConditionalLogit

#: Fewest people whose outcome changed, per coefficient: with fewer the estimate is far off and its interval too short.
#: Common practice, no source.
FEWEST_PER_COEFFICIENT = 5


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


def odds_at_equal(gained: npt.ArrayLike, covariate: npt.ArrayLike) -> tuple[Odds, Odds]:
    """The same with a covariate that changed too.

    Args:
        gained: for each person whose outcome changed, whether it was gained.
        covariate: its change from early to late for the same people.

    Returns:
        Odds late over early at an equal covariate, and odds for one more of it. Wald's intervals.

    Raises:
        ValueError: too few people, a covariate that changed alike in all, or people whom both together tell apart
            completely, so that the estimate is infinite; the message says which.
    """
    has_gained, change = np.asarray(gained, dtype=bool), np.asarray(covariate, dtype=np.float64)
    n = len(has_gained)
    if n < 2 * FEWEST_PER_COEFFICIENT:
        raise ValueError(
            f"{n} changed, and two coefficients need {2 * FEWEST_PER_COEFFICIENT} (common practice, no source)"
        )
    late = np.column_stack([np.ones(n), change])
    if np.linalg.matrix_rank(late) < 2:
        raise ValueError("it changed alike in all who changed, so that it cannot be told from distance")
    gaining, losing = change[has_gained], change[~has_gained]
    if not len(gaining) or not len(losing) or gaining.max() <= losing.min() or losing.max() <= gaining.min():
        raise ValueError(
            "it and distance together tell all who gained from all who lost, so that no estimate is finite"
        )
    both = np.concatenate([np.zeros_like(late), late])
    outcome = np.concatenate([~has_gained, has_gained]).astype(int)
    model = ConditionalLogit(outcome, both, groups=np.tile(np.arange(n), 2))
    fitted = model.fit(disp=False, method="newton")
    ends = np.exp(fitted.conf_int())
    first, second = (
        Odds(float(np.exp(b)), float(low), float(high)) for b, (low, high) in zip(fitted.params, ends, strict=True)
    )
    return first, second

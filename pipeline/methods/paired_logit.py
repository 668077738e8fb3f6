"""Odds of an outcome late over early, within people who were seen at both: as counted, and with what else changed.

A conditional logistic regression with people as strata: whatever is a person's own cancels, and only people whose
outcome changed tell anything. With two observations per person it is a logistic regression of whether the outcome was
gained, on an intercept and the changes of covariates.

A person who was seen at both on several occasions is a stratum on each, and changes alike on them by habit: what the
scores of a person's occasions have in common is then part of the covariance (Liang and Zeger 1986, Biometrika 73:13-22,
from reference lists).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.optimize import linprog

from pipeline.core.arrays import Array

#: Newton's method doubles its digits with each step, and takes some twenty from anywhere.
_MOST_STEPS, _ROUNDING = 100, 1e-10
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


def odds_at_equal(
    gained: npt.ArrayLike, covariates: npt.ArrayLike, people: npt.ArrayLike | None = None
) -> tuple[Odds, ...]:
    """The same with covariates that changed too.

    Args:
        gained: for each occasion on which a person's outcome changed, whether it was gained, n.
        covariates: their changes from early to late on the same occasions, n or n x 2.
        people: whose occasion it was, n; None where each is of another person.

    Returns:
        Odds late over early at equal covariates, and for one more of each. Wald's intervals, never narrower than if
        occasions were independent.

    Raises:
        ValueError: too few people, covariates that cannot be told from distance or from each other, or people whom all
            together tell apart completely, so that the estimate is infinite; the message says which.
    """
    has_gained, change = np.asarray(gained, dtype=bool), np.asarray(covariates, dtype=np.float64)
    n = len(has_gained)
    late = np.column_stack([np.ones(n), change.reshape(n, -1)])
    k, of = late.shape[1], np.arange(n) if people is None else np.unique(np.asarray(people), return_inverse=True)[1]
    n_people = len(np.unique(of))
    if n_people < k * FEWEST_PER_COEFFICIENT:
        raise ValueError(
            f"{n_people} changed, and {['two', 'three'][k - 2]} coefficients need {k * FEWEST_PER_COEFFICIENT} "
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
    estimates, covariance = _logistic(late, has_gained)
    score = late * (has_gained - special.expit(late @ estimates))[:, None]
    of_person = np.zeros((n_people, k))
    np.add.at(of_person, of, score)
    shared = covariance @ (of_person.T @ of_person - score.T @ score) @ covariance
    variance = np.diag(covariance) + (np.maximum(np.diag(shared), 0.0) if n_people < n else 0.0)
    margins = float(special.ndtri(0.975)) * np.sqrt(variance)
    return tuple(
        Odds(*(float(np.exp(end)) for end in (b, b - margin, b + margin)))
        for b, margin in zip(estimates, margins, strict=True)
    )


def _logistic(columns: Array, outcome: npt.NDArray[np.bool_]) -> tuple[Array, Array]:
    """Coefficients of a logistic regression by Newton's method, and their covariance: the inverse of the information.

    The likelihood has one maximum. A step that overshoots it is halved.
    """
    sign = np.where(outcome, 1.0, -1.0)[:, None] * columns
    at = np.zeros(columns.shape[1])
    for _ in range(_MOST_STEPS):
        share = special.expit(-sign @ at)
        information = (columns * (share * (1 - share))[:, None]).T @ columns
        step = np.linalg.solve(information, sign.T @ share)
        while special.log_expit(sign @ (at + step)).sum() < special.log_expit(sign @ at).sum() - _ROUNDING:
            step = step / 2
        at = at + step
        if np.abs(step).max() <= _ROUNDING * max(1.0, float(np.abs(at).max())):
            break
    return at, np.linalg.inv(information)


def _tell_apart(signed: Array) -> bool:
    """Whether some combination of columns is nowhere on the wrong side, and somewhere on the right one (separation:
    Albert and Anderson 1984, doi 10.1093/biomet/71.1.1, from memory).

    Args:
        signed: columns of each person, turned round for those who lost.
    """
    best = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    return bool(-best.fun > TINY)

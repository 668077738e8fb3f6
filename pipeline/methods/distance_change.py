"""By how much a metric has changed at the end of a run of some length, along a straight line or one that breaks.

The straight line's change is its slope times the distance. For a line that breaks at a given distance the slope before
and the bend beyond it are estimated together, with the athlete's responses taken out of the metric first; the error of
the responses is carried over by how much the line would move with them. Errors over runs are a jackknife over whole
runs, as for the drift itself. The place of the break counts as known: it was searched for, so the change that it leads
to is rather too large than too small, and a claim that even this change is small is a cautious one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.least_squares import Prior, columns_at, dot, estimated
from pipeline.methods.mixed_model import DISTANCE, VALUE, Fit, normal_equations, whiten

#: Nothing is estimated together with the line.
NOTHING: Mapping[int, tuple[float, float]] = {}


@dataclass(frozen=True)
class Change:
    """A change of the logarithm of a metric, with its 95 % interval."""

    estimate: float
    low: float
    high: float

    def wider(self, other: Change) -> tuple[float, float]:
        """Lowest and highest end of two intervals."""
        return min(self.low, other.low), max(self.high, other.high)

    def or_else(self, other: Change) -> Change:
        """Their mean, with an interval that holds both intervals: where it is not known which of them is right."""
        return Change((self.estimate + other.estimate) / 2, *self.wider(other))


def straight_change(drift: float, variance: float, df: float, distance: float) -> Change:
    """The change along the straight line.

    Args:
        drift: its slope [change of the logarithm per 10 km].
        variance: of that.
        df: degrees of freedom of the variance.
        distance: from the start [10 km].
    """
    return _change(df, drift * distance, variance * distance**2)


def broken_changes(
    fitted: Fit, hinge: Array, distance: Array, re_estimated: Mapping[int, tuple[float, float]] = NOTHING
) -> list[Change]:
    """The change along a line that breaks, of each metric.

    Args:
        fitted: the straight model, whose responses, weights and variances are taken as they are.
        hinge: where the line breaks [10 km], with splits of several runs on either side.
        distance: from the start [10 km].
        re_estimated: causes that are estimated together with the line, with mean and variance of what is known of them
            before. What dies out along a run has taken up part of the bend that the straight model lacks.
    """
    design = fitted.design
    again = [cause for cause in fitted.places[1:] if cause in re_estimated]
    causes = [cause for cause in fitted.places[1:] if cause not in re_estimated]
    known = np.array([fitted.places.index(cause) for cause in causes], np.int64)
    along, x = design.columns[..., [DISTANCE]], columns_at(design.columns, causes)
    value = design.columns[..., [VALUE]] - x @ np.take(fitted.beta, known, axis=-1)[..., None]
    beyond = np.maximum(along - hinge[..., None, None], 0.0)
    columns = np.concatenate([value, along, beyond, design.columns[..., again], x], axis=-1)
    white, _ = whiten(design, columns, fitted.rho)
    products = design.per_run(white[..., :, None] * white[..., None, :], axis=-3)
    line = tuple(range(DISTANCE, DISTANCE + 2 + len(again)))
    a, b, _ = normal_equations(products, line, fitted.variance_ratio)
    before = np.array([re_estimated[cause] for cause in again]).reshape(-1, 2)
    found = estimated(a, b, Prior(*before.T), fitted.variance)
    reaches = np.zeros_like(found.beta)
    reaches[..., 0], reaches[..., 1] = distance, np.maximum(distance - hinge, 0.0)
    variance = _variance_of(reaches, found.covariance)
    if causes:
        joint, _, _ = normal_equations(products, tuple(range(DISTANCE, columns.shape[-1])), fitted.variance_ratio)
        passed_on = np.linalg.solve(found.total, joint.sum(axis=-3)[..., : len(line), len(line) :])
        moves = (reaches[..., None, :] @ passed_on)[..., 0, :]
        variance = variance + _variance_of(moves, fitted.covariance[..., known[:, None], known])
    return [_change(*of_metric) for of_metric in zip(fitted.drift_df, dot(reaches, found.beta), variance, strict=True)]


def _variance_of(weights: Array, covariance: Array) -> Array:
    """Of weighted sums."""
    return dot((weights[..., None, :] @ np.ascontiguousarray(covariance))[..., 0, :], weights)


def _change(df: float, estimate: float, variance: float) -> Change:
    margin_of_error = float(special.stdtrit(df, 0.975)) * np.sqrt(max(variance, 0.0))
    return Change(float(estimate), float(estimate - margin_of_error), float(estimate + margin_of_error))


def usual_distance(lengths: Array) -> float:
    """The distance that a quarter of the runs reach: what the athlete's long runs have in common.

    A convention: the mean would be about a run that is no long one, the maximum about a single day.

    Args:
        lengths: of the runs, in any unit, at least one.
    """
    return float(np.quantile(lengths, 0.75, method="inverted_cdf"))

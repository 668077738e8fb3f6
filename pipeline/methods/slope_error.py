"""Slope is measured with error: how much of the drift may be climbs whose response was attenuated.

An error of standard deviation s in the slope of a kilometre attenuates the response to it by kappa = 1 - s^2 / v,
where v is the variance of the measured slope within runs, at equal distance and speed. Unlike for speed, nothing says
how large the true response is: even its sign differs between studies. So the estimate stays, and the response may be
larger by up to (1 / kappa - 1) of itself. This enters the covariance as a deviation of which that limit is 1.5. It
matters where climbs come late or early in most runs, and little where they come anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.least_squares import solved
from pipeline.methods.measurement_error import Corrected
from pipeline.methods.mixed_model import Fit, together

#: The error is at most this share of the variance of slope that was seen. Common practice, no source.
MOST_ERROR = 0.65
#: Standard deviations that lie between the estimated response and the largest that is plausible.
DEVIATIONS = 1.5


def with_slope_error(corrected: Sequence[Corrected], slope: int, error_pct: Sequence[float]) -> list[Corrected]:
    """The same estimates, covariance and interval widened by what errors of slope may have taken from the response.

    Args:
        corrected: models of one metric each, corrected for the error of speed.
        slope: column of slope.
        error_pct: standard deviation that the error of a kilometre's slope may have, for each.
    """
    widened = list(corrected)
    of_slope = [place for place, one in enumerate(corrected) if slope in one.fit.places and error_pct[place] > 0]
    for metrics, fitted in together([corrected[place].fit for place in of_slope]):
        places = [of_slope[metric] for metric in metrics]
        wider, deviation, move = _with_deviation(fitted, slope, np.array([error_pct[place] for place in places]))
        for metric, place in enumerate(places):
            of_metric = wider.of_metrics(metric)
            widened[place] = _widened(corrected[place], of_metric, float(deviation[metric]), float(move[metric]))
    return widened


def _with_deviation(fitted: Fit, slope: int, error_pct: Array) -> tuple[Fit, Array, Array]:
    """The fit with a wider covariance, the standard deviation of the response, and how the drift moves with that."""
    slope_place = fitted.places.index(slope)
    n_splits = len(fitted.design.run)
    left = _left_of_slope(fitted, slope)
    share = np.minimum(error_pct**2 * n_splits / left, MOST_ERROR)
    deviation = np.abs(fitted.beta[:, slope_place]) * share / (1 - share) / DEVIATIONS
    free = np.array(
        [place for place, column in enumerate(fitted.places) if place != slope_place and column not in fitted.given]
    )
    products = fitted.normal[0].sum(axis=-3)
    moves = np.zeros_like(fitted.beta)
    moves[:, slope_place] = 1.0
    moves[:, free] = -solved(products[:, free[:, None], free], products[:, free, slope_place])
    covariance = fitted.covariance + (deviation**2)[:, None, None] * (moves[:, :, None] * moves[:, None, :])
    return replace(fitted, covariance=covariance), deviation, moves[:, 0]


def _left_of_slope(fitted: Fit, slope: int) -> Array:
    """Of the square of slope within runs, what the other regressors leave, of each metric."""
    left: dict[bytes, float] = {}  # most metrics have the same speed
    keys = [columns[:, fitted.places].tobytes() for columns in fitted.design.columns]
    for metric, key in enumerate(keys):
        if key not in left:
            within = fitted.design.of_metrics(metric).within_runs
            x, other_columns = within[:, slope], within[:, [column for column in fitted.places if column != slope]]
            rest = x - other_columns @ np.linalg.lstsq(other_columns, x, rcond=None)[0]
            left[key] = float(rest @ rest)
    return np.array([left[key] for key in keys])


def _widened(corrected: Corrected, fitted: Fit, deviation: float, move: float) -> Corrected:
    """One metric with the wider fit, and an interval that is wider by a deviation of the response times its move."""
    estimate, quantile = corrected.drift, float(special.stdtrit(fitted.drift_df, 0.975))
    extra = quantile * deviation * abs(move)
    low = estimate - float(np.hypot(estimate - corrected.drift_low, extra))
    high = estimate + float(np.hypot(corrected.drift_high - estimate, extra))
    drift_variance = corrected.drift_variance + (deviation * move) ** 2
    p_value = corrected.p_value
    if p_value is not None:
        p_value = max(p_value, 2 * float(special.stdtr(fitted.drift_df, -abs(estimate) / np.sqrt(drift_variance))))
    return replace(
        corrected,
        fit=fitted,
        drift_variance=drift_variance,
        drift_low=low,
        drift_high=high,
        p_value=p_value,
        tipping_reliability=corrected.tipping_reliability if low > 0 or high < 0 else None,
    )

"""Slope is measured with error: how much of the drift may be climbs whose response was attenuated.

An error of standard deviation s in the slope of a kilometre attenuates the response to it by kappa = 1 - s^2 / v,
where v is the variance of the measured slope within runs, at equal distance and speed. Unlike for speed, nothing says
how large the true response is: even its sign differs between studies. So the estimate stays, and the response may be
larger by up to (1 / kappa - 1) of itself. This enters the covariance as a deviation of which that limit is 1.5. It
matters where climbs come late or early in most runs, and little where they come anywhere.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special

from pipeline.core.metrics import SLOPE_ERROR_PCT
from pipeline.methods.measurement_error import Corrected

#: The error is at most this share of the variance of slope that was seen. Common practice, no source.
MOST_ERROR = 0.65
#: Standard deviations that lie between the estimated response and the largest that is plausible.
DEVIATIONS = 1.5


def with_slope_error(corrected: Corrected, slope: int, error_pct: float = SLOPE_ERROR_PCT) -> Corrected:
    """The same estimate, its covariance and interval widened by what errors of slope may have taken from the response.

    Args:
        corrected: the model, corrected for the error of speed.
        slope: column of slope.
        error_pct: standard deviation that the error of a kilometre's slope may have.
    """
    fitted = corrected.fit
    if slope not in fitted.places or error_pct == 0:
        return corrected
    slope_place = fitted.places.index(slope)
    within = fitted.design.within_runs
    x, other_columns = within[:, slope], within[:, [column for column in fitted.places if column != slope]]
    rest = x - other_columns @ np.linalg.lstsq(other_columns, x, rcond=None)[0]
    share = min(error_pct**2 * len(rest) / float(rest @ rest), MOST_ERROR)
    deviation = abs(float(fitted.beta[slope_place])) * share / (1 - share) / DEVIATIONS
    free = [place for place, column in enumerate(fitted.places) if place != slope_place and column not in fitted.given]
    products = fitted.normal[0].sum(axis=0)
    moves = np.zeros(len(fitted.places))
    moves[slope_place], moves[free] = 1.0, -np.linalg.solve(products[np.ix_(free, free)], products[free, slope_place])
    covariance = fitted.covariance + deviation**2 * np.outer(moves, moves)
    estimate, quantile = corrected.drift, float(special.stdtrit(fitted.drift_df, 0.975))
    extra = quantile * deviation * abs(float(moves[0]))
    low = estimate - float(np.hypot(estimate - corrected.drift_low, extra))
    high = estimate + float(np.hypot(corrected.drift_high - estimate, extra))
    drift_variance = corrected.drift_variance + (deviation * float(moves[0])) ** 2
    p_value = corrected.p_value
    if p_value is not None:
        p_value = max(p_value, 2 * float(special.stdtr(fitted.drift_df, -abs(estimate) / np.sqrt(drift_variance))))
    return replace(
        corrected,
        fit=replace(fitted, covariance=covariance),
        drift_variance=drift_variance,
        drift_low=low,
        drift_high=high,
        p_value=p_value,
        tipping_reliability=corrected.tipping_reliability if low > 0 or high < 0 else None,
    )

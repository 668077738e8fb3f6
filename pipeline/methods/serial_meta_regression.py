"""A line over time through estimates that have errors of their own, where neighbours in time may be alike.

For estimate k at time t, with known standard error s(k):

    y(k) = start + slope t(k) + u(k) + e(k),    e(k) ~ N(0, s(k)²)
    u ~ N(0, τ² R),    R(k, l) = ρ^(|t(k) - t(l)| / median gap)

τ and ρ are hardly known from the few runs of a season, and an interval that takes their best values for the truth is
too narrow: 24 estimates whose neighbours correlate by 0.8 look like a trend. So the line is fitted by generalised
least squares for every pair of a grid, and the results are mixed, weighted by their restricted likelihood times a
prior: half of it on ρ = 0, the other half even up to 0.9; τ half-normal with 1.5 times the scatter about the line. The
interval is the range between quantiles of the mixture of t distributions.

Sources: Harville 1974, doi 10.1093/biomet/61.2.383 (restricted likelihood as a marginal one); DerSimonian and Laird
1986, doi 10.1016/0197-2456(86)90046-2 (estimates with errors of their own). From memory. The prior is a convention,
chosen for coverage in simulated seasons (`data/METHODS.md`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.core.arrays import Array

#: Grid of the correlation of neighbours, and prior weights.
CORRELATION = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
CORRELATION_WEIGHT = np.array([0.5, *[0.5 / 6] * 6])
#: Grid of τ, in units of the scatter about the line; 0 stands for everything below the next value.
DEVIATION = np.concatenate([[0.0], np.geomspace(0.1, 4.0, 12)])
#: Scale of the half-normal prior of τ, in the same unit.
DEVIATION_SCALE = 1.5
#: Where estimates lie on a line the grid still needs a unit: this share of their median error.
LEAST_SCATTER = 1e-3


@dataclass(frozen=True)
class SerialLine:
    """A line over time.

    Attributes:
        start: at time zero.
        slope: per unit of time.
        low: lower end of the 95 % interval of the slope.
        high: upper end.
        p_value: of a slope of zero, two-sided.
        between: standard deviation of the estimates about the line beyond their own errors.
        correlation: of neighbours.
    """

    start: float
    slope: float
    low: float
    high: float
    p_value: float
    between: float
    correlation: float


def serial_meta_regression(estimates: Array, errors: Array, time: Array, shared: Array) -> SerialLine:
    """Fit.

    Args:
        estimates: at least three.
        errors: standard error of each, above zero.
        time: of each, non-decreasing, not all the same.
        shared: for each estimate a vector; its product with another's is the covariance of errors that they share.
    """
    df = len(estimates) - 2
    columns = np.column_stack([np.ones(len(time)), time])
    white = columns / errors[:, None]
    residual = estimates - columns @ np.linalg.lstsq(white, estimates / errors, rcond=None)[0]
    unit = max(float(np.sqrt(residual @ residual / df)), LEAST_SCATTER * float(np.median(errors)))
    gaps = np.diff(time)
    apart = np.abs(time[:, None] - time) / np.median(gaps[gaps > 0])
    fits = [
        _given(estimates, errors, columns, shared, alike=_power(rho, apart), deviations=DEVIATION * unit)
        for rho in CORRELATION
    ]
    log_likelihood, start, slope, error = np.array(fits).swapaxes(0, 1)
    prior = CORRELATION_WEIGHT[:, None] * _width(DEVIATION) * np.exp(-0.5 * (DEVIATION / DEVIATION_SCALE) ** 2)
    weight = prior * np.exp(log_likelihood - log_likelihood.max())
    weight /= weight.sum()

    def below(value: float) -> float:
        return float((weight * special.stdtr(df, (value - slope) / error)).sum())

    margin = float(special.stdtrit(df, 0.999)) * error
    ends = float((slope - margin).min()), float((slope + margin).max())
    low, high = (crossing(below, share, *ends) for share in (0.025, 0.975))
    tail = below(0.0)
    return SerialLine(
        start=float((weight * start).sum()),
        slope=float((weight * slope).sum()),
        low=low,
        high=high,
        p_value=2 * min(tail, 1 - tail),
        between=float((weight * DEVIATION).sum() * unit),
        correlation=float((weight * CORRELATION[:, None]).sum()),
    )


def crossing(rising: Callable[[float], float], level: float, low: float, high: float) -> float:
    """Where a rising function reaches a level between two places, below it at the first and above it at the second.

    Regula falsi in the form called Illinois (Dowell and Jarratt 1971, doi 10.1007/BF01934364, from memory), as exact as
    `scipy.optimize.brentq`: a refresh needs nothing else of that package, whose import takes longer than all of this.
    """
    least = 1e-12 * (high - low)
    old, new = (low, rising(low) - level), (high, rising(high) - level)
    while True:
        step = -new[1] * (new[0] - old[0]) / (new[1] - old[1])
        place = new[0] + step
        value = rising(place) - level
        if abs(step) <= least or value == 0:
            return place
        old = new if (value > 0) != (new[1] > 0) else (old[0], old[1] / 2)
        new = place, value


def _given(estimates: Array, errors: Array, columns: Array, shared: Array, *, alike: Array, deviations: Array) -> Array:
    """Restricted log-likelihood, start, slope and its standard error for each τ; 4 × deviations."""
    values, vectors = np.linalg.eigh(alike / errors[:, None] / errors)
    y, x, z = (vectors.T @ (part / errors.reshape(-1, *[1] * (part.ndim - 1))) for part in (estimates, columns, shared))
    of_deviation = []
    for deviation in deviations:
        variance = 1 + deviation**2 * np.maximum(values, 0.0)
        scaled = x / variance[:, None]
        inner, outer = scaled.T @ x, scaled.T @ y
        line = np.linalg.solve(inner, outer)
        rest = float(y @ (y / variance) - outer @ line)
        log_likelihood = -0.5 * (np.log(variance).sum() + np.linalg.slogdet(inner)[1] + rest)
        leans_on = np.linalg.solve(inner, scaled.T @ z)[1]
        of_deviation.append((log_likelihood, *line, np.sqrt(np.linalg.inv(inner)[1, 1] + leans_on @ leans_on)))
    return np.array(of_deviation).T


def _power(rho: float, apart: Array) -> Array:
    """Correlation of estimates so far apart; without correlation, of each with itself alone."""
    return np.eye(len(apart)) if rho == 0 else np.asarray(rho**apart)


def _width(grid: Array) -> Array:
    """How much of the line each point of a grid stands for."""
    middles = np.concatenate([[0.0], (grid[1:] + grid[:-1]) / 2, grid[-1:]])
    return np.diff(middles)

"""Trend of a value over distance in many athletes, with random intercept and slope per athlete: linear mixed model.

For row j of athlete i, at distance d,

    y = intercept + slope d + (a(i) + b(i) d) + error(i, j)

with a and b normal, correlated, independent between athletes. Variances are estimated by restricted maximum likelihood,
to so many digits that other software gives the same ones; fixed effects, their standard errors and the random effects
follow in closed form, also where a variance is at its bound.

Sources: Laird and Ware 1982, doi 10.2307/2529876 (model, restricted likelihood, random effects; from memory). The
t distribution has n - 1 degrees of freedom for n athletes: for balanced rows that is exact and equals Satterthwaite's
(read in published output for the sleep deprivation data of Belenky 2003).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize

from pipeline.core.arrays import Array
from pipeline.methods.shared_error import with_shared_error

FEWEST_ATHLETES = 3
#: Random slopes with a smaller effect over a standard deviation of distance, as a share of the error, count as none:
#: they change the third digit of the slope's standard error at most, and optimizers come no closer to zero.
NO_SLOPES = 1e-2
#: 1 minus the squared correlation, below which the correlation counts as at its bound.
AT_BOUND = 1e-3
#: A residual below this share of the scatter of all values is rounding.
NO_ERROR = 1e-9
#: Imaginary step of derivatives, which are exact however small it is.
DERIVATIVE_STEP = 1e-30
#: Newton's steps from where BFGS stops, for which the likelihood is too flat; the shift of its second derivatives.
NEWTON_STEPS, NEWTON_SHIFT, NEWTON_DONE = 20, 1e-5, 1e-11
#: The gradient of the deviance per degree of freedom at a maximum, at most.
CONVERGED = 1e-6

_Factor = npt.NDArray[Any]


@dataclass(frozen=True)
class MixedTrend:
    """A mixed model, in the units of value and distance.

    Attributes:
        intercept: mean value at distance 0.
        slope: mean change of the value per unit of distance.
        se: standard error of the slope, with what athletes share.
        shared_se: the part of it that they share.
        low: lower end of the slope's interval, by t with `n_athletes` - 1 degrees of freedom, more with what they
            share.
        p_value: two-sided, of a slope of 0, by the same t.
        sd_intercept: standard deviation of athletes' values at distance 0.
        sd_slope: standard deviation of athletes' slopes; 0 where the model has random intercepts only.
        correlation: correlation of random intercept and slope; None where one of their variances is 0.
        sd_residual: standard deviation of the error.
        fitted: fitted values by row, random effects included.
        residuals: value minus fitted, by row.
        random_effects: by athlete, deviation from intercept and from slope.
    """

    intercept: float
    slope: float
    se: float
    shared_se: float
    low: float
    high: float
    p_value: float
    sd_intercept: float
    sd_slope: float
    correlation: float | None
    sd_residual: float
    n_athletes: int
    n_rows: int
    converged: bool
    note: str
    fitted: Array
    residuals: Array
    random_effects: Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class _Rows:
    """Standardised columns, which optimizers need."""

    value: Array
    fixed: Array
    athlete_of_row: npt.NDArray[np.intp]
    names: Sequence[str]


@dataclass(frozen=True)
class _Variances:
    """Covariance of the random effects (2 × 2) and variance of the error, of standardised columns."""

    athletes: Array
    error: float
    converged: bool
    notes: tuple[str, ...]


def mixed_trend(
    value: npt.ArrayLike,
    distance: npt.ArrayLike,
    athlete: Sequence[str] | npt.ArrayLike,
    *,
    shared: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> MixedTrend:
    """Fit the model.

    Where athletes' slopes do not differ beyond error the model has random intercepts only, and `note` says so.

    Args:
        value: n values.
        distance: distance of each value, n.
        athlete: athlete of each value, n.
        shared: what one standard error of something that all athletes share adds to each value, n; None for nothing.

    Raises:
        ValueError: fewer than three athletes with two distances, columns of different lengths, missing values, columns
            that are constant, or values without error.
    """
    y, d = np.asarray(value, dtype=np.float64), np.asarray(distance, dtype=np.float64)
    names, athlete_of_row = np.unique(np.asarray(athlete).astype(str), return_inverse=True)
    _check(y, d, athlete_of_row)
    d_mean, d_scale = float(d.mean()), float(d.std())
    y_mean, y_scale = float(y.mean()), float(y.std())
    fixed = np.column_stack([np.ones(len(y)), (d - d_mean) / d_scale])
    rows = _Rows((y - y_mean) / y_scale, fixed, athlete_of_row, names.tolist())
    _require_error(rows)
    variances = _variances(rows)
    beta, covariance, departures = _effects(rows, variances)
    # Back to the original units: level and slope at distance 0 are a linear map of those at the mean distance.
    back = np.array([[1.0, -d_mean / d_scale], [0.0, 1 / d_scale]]) * y_scale
    random_effects = departures @ back.T
    athletes = back @ variances.athletes @ back.T
    intercept, slope = back @ beta + [y_mean, 0.0]
    fitted = y_mean + y_scale * (fixed @ beta + np.sum(fixed * departures[athlete_of_row], axis=1))
    se = float(np.sqrt(covariance[1, 1])) * y_scale / d_scale
    df = len(names) - 1
    sd_intercept, sd_slope = (float(sd) for sd in np.sqrt(np.maximum(np.diag(athletes), 0)))
    moved = 0.0
    if shared is not None:
        added = replace(rows, value=np.asarray(shared, dtype=np.float64) / y_scale)
        moved = float((back @ _effects(added, variances)[0])[1])
    interval = with_shared_error(float(slope), se, df, moved, level=level)
    return MixedTrend(
        intercept=float(intercept),
        slope=float(slope),
        se=interval.se,
        shared_se=abs(moved),
        low=interval.low,
        high=interval.high,
        p_value=interval.p_value,
        sd_intercept=sd_intercept,
        sd_slope=sd_slope,
        correlation=float(np.clip(athletes[0, 1] / (sd_intercept * sd_slope), -1, 1))
        if sd_intercept * sd_slope > 0
        else None,
        sd_residual=float(np.sqrt(variances.error)) * y_scale,
        n_athletes=len(names),
        n_rows=len(y),
        converged=variances.converged,
        note=" ".join(variances.notes),
        fitted=fitted,
        residuals=y - fitted,
        random_effects={name: (float(a), float(b)) for name, (a, b) in zip(rows.names, random_effects, strict=True)},
    )


def _check(value: Array, distance: Array, athlete_of_row: npt.NDArray[np.intp]) -> None:
    if value.ndim != 1 or not value.shape == distance.shape == athlete_of_row.shape:
        raise ValueError("Values, distances and athletes must be columns of the same length.")
    if not (np.isfinite(value).all() and np.isfinite(distance).all()):
        raise ValueError("A row has a missing value: leave it out first.")
    n_identifiable = sum(
        np.ptp(distance[athlete_of_row == place]) > 0 for place in range(int(athlete_of_row.max(initial=-1)) + 1)
    )
    if n_identifiable < FEWEST_ATHLETES:
        raise ValueError(f"A trend over athletes needs three athletes at two distances each, not {n_identifiable}.")
    for name, column in (("values", value), ("distances", distance)):
        if np.ptp(column) == 0:
            raise ValueError(f"All {name} are equal: no trend can be estimated.")


def _require_error(rows: _Rows) -> None:
    """Reject values without error about each athlete's own line."""
    if float(np.abs(_own_lines(rows)[1]).max()) < NO_ERROR:
        raise ValueError("Each athlete's values lie exactly on a line: without error the model cannot be estimated.")


def _own_lines(rows: _Rows) -> tuple[Array, Array]:
    """Level and slope of each athlete by least squares, and the residuals."""
    place, n_athletes = np.arange(len(rows.value)), len(rows.names)
    by_athlete = np.zeros((len(place), 2 * n_athletes))
    by_athlete[place, 2 * rows.athlete_of_row], by_athlete[place, 2 * rows.athlete_of_row + 1] = 1, rows.fixed[:, 1]
    coefficients = np.linalg.lstsq(by_athlete, rows.value)[0]
    lines = np.asarray(coefficients.reshape(n_athletes, 2), dtype=np.float64)
    return lines, np.asarray(rows.value - by_athlete @ coefficients, dtype=np.float64)


def _by_moments(rows: _Rows, n_random: int) -> Array:
    """Covariance of athletes' lines beyond error, in units of the error's variance: the start of the optimizers."""
    lines, rest = _own_lines(rows)
    error = max(float(rest @ rest) / max(len(rest) - 2 * len(lines), 1), NO_ERROR)
    expected = np.mean(
        [np.linalg.pinv(x.T @ x) for x in (rows.fixed[rows.athlete_of_row == place] for place in range(len(lines)))],
        axis=0,
    )
    values, vectors = np.linalg.eigh((np.cov(lines.T) / error - expected)[:n_random, :n_random])
    return np.asarray((vectors * np.maximum(values, NO_SLOPES)) @ vectors.T, dtype=np.float64)


def _variances(rows: _Rows) -> _Variances:
    variances = _restricted_likelihood(rows, 2)
    if variances.athletes[1, 1] >= NO_SLOPES**2 * variances.error:
        if np.linalg.det(variances.athletes) > AT_BOUND * np.prod(np.diag(variances.athletes)):
            return variances
        note = "Random intercept and slope are perfectly correlated: their correlation is at its bound."
        return replace(variances, notes=(*variances.notes, note))
    levels = _restricted_likelihood(rows, 1)
    note = "Slopes do not differ between athletes beyond error: the model has random intercepts only."
    return replace(levels, notes=(note, *levels.notes))


def _restricted_likelihood(rows: _Rows, n_random: int) -> _Variances:
    """Maximize the restricted likelihood: BFGS, then Newton's steps to the last digits, by exact derivatives.

    With the covariance of the random effects in units of the error's variance, an athlete's rows enter by their
    cross-products alone.

    Args:
        n_random: 1 for random intercepts only, 2 for slopes as well.
    """
    a, c = np.zeros((len(rows.names), 2, 2)), np.zeros((len(rows.names), 2))
    np.add.at(a, rows.athlete_of_row, rows.fixed[:, :, None] * rows.fixed[:, None, :])
    np.add.at(c, rows.athlete_of_row, rows.fixed * rows.value[:, None])
    df = len(rows.value) - rows.fixed.shape[1]

    def parts(factor: _Factor) -> tuple[_Factor, _Factor]:
        """The deviance but for a constant, and the error's variance, at a factor of the covariance, row by row."""
        root = np.zeros((2, 2), dtype=factor.dtype)
        root[np.tril_indices(n_random)] = factor
        between = root @ root.T
        spread = np.eye(2) + a @ between
        inner, right = np.linalg.solve(spread, a), np.linalg.solve(spread, c[:, :, None])[:, :, 0]
        total, sums = inner.sum(axis=0), right.sum(axis=0)
        rest = rows.value @ rows.value - np.einsum("aj,jk,ak->", c, between, right)
        rest = rest - sums @ np.linalg.solve(total, sums)
        return np.log(np.linalg.det(spread)).sum() + np.log(np.linalg.det(total)) + df * np.log(rest), rest / df

    def deviance(factor: Array) -> float:
        return float(parts(factor)[0])

    def gradient(factor: Array) -> Array:
        steps = 1j * DERIVATIVE_STEP * np.eye(len(factor))
        return np.array([parts(factor + step)[0].imag / DERIVATIVE_STEP for step in steps])

    start = _by_moments(rows, n_random) + NO_SLOPES**2 * np.eye(n_random)
    found = optimize.minimize(
        deviance, np.linalg.cholesky(start)[np.tril_indices(n_random)], jac=gradient, method="BFGS"
    )
    factor = _newton(gradient, np.asarray(found.x, dtype=np.float64))
    converged = bool(np.abs(gradient(factor)).max() < CONVERGED * df)
    notes = () if converged else ("The optimizer did not converge; interpret with care.",)
    root = np.zeros((2, 2))
    root[np.tril_indices(n_random)] = factor
    error = float(parts(factor)[1])
    return _Variances(root @ root.T * error, error, converged, notes)


def _newton(gradient: Callable[[Array], Array], start: Array) -> Array:
    """Where the gradient is zero near the start; the start where steps lead away from it."""
    place = start
    for _ in range(NEWTON_STEPS):
        shifts = NEWTON_SHIFT * np.eye(len(place))
        slopes = np.array([gradient(place + shift) - gradient(place - shift) for shift in shifts]) / (2 * NEWTON_SHIFT)
        step = np.linalg.lstsq(slopes, gradient(place))[0]
        place = place - step
        if np.abs(step).max() < NEWTON_DONE:
            break
    is_near = np.abs(place - start).max() < 0.1 * (1 + np.abs(start).max())
    return np.asarray(place, dtype=np.float64) if is_near else start


def _effects(rows: _Rows, variances: _Variances) -> tuple[Array, Array, Array]:
    """Fixed effects by generalised least squares, their covariance, and the random effects (athletes × 2)."""
    n_fixed = rows.fixed.shape[1]
    inner, right = np.zeros((n_fixed, n_fixed)), np.zeros(n_fixed)
    terms = []
    for athlete in range(len(rows.names)):
        x, y = rows.fixed[rows.athlete_of_row == athlete], rows.value[rows.athlete_of_row == athlete]
        total = x @ variances.athletes @ x.T + variances.error * np.eye(len(y))
        weighted = np.linalg.solve(total, np.column_stack([x, y]))
        inner += x.T @ weighted[:, :-1]
        right += x.T @ weighted[:, -1]
        terms.append(variances.athletes @ x.T @ weighted)
    beta = np.linalg.solve(inner, right)
    departures = np.array([term[:, -1] - term[:, :-1] @ beta for term in terms], dtype=np.float64)
    return np.asarray(beta, np.float64), np.asarray(np.linalg.inv(inner), np.float64), departures

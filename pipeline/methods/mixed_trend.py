"""Trend of a value over distance in many athletes, with random intercept and slope per athlete: linear mixed model.

For row j of athlete i, at distance d,

    y = intercept + slope d + (a(i) + b(i) d) + error(i, j)

with a and b normal, correlated, independent between athletes. What differs between athletes (a group, a covariate) may
have an intercept and a slope each: x'u + x'v d in place of intercept + slope d, with x the athlete's columns. Variances
are estimated by restricted maximum likelihood to so many digits that other software gives the same ones; fixed
effects, their standard errors and the random effects follow in closed form, also where a variance is at its bound.

Sources: Laird and Ware 1982, doi 10.2307/2529876 (model, restricted likelihood, random effects; from memory). The
t distribution has n - q degrees of freedom for n athletes and q columns between them, one without any: for balanced
rows that is exact and equals Satterthwaite's (read in published output for the sleep deprivation data of Belenky 2003).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize

from pipeline.core.arrays import Array
from pipeline.methods.shared_error import Interval, with_shared_error

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
        intercept: mean value at distance 0; of several groups that of an average group.
        slope: mean change of the value per unit of distance; likewise.
        se: standard error of the slope, with what athletes share.
        low: lower end of the slope's interval, by t with `n_athletes` - 1 degrees of freedom (less with columns between
            athletes), more with what they share.
        p_value: two-sided, of a slope of 0, by the same t.
        sd_intercept: standard deviation of athletes' values at distance 0.
        sd_slope: standard deviation of athletes' slopes; 0 where the model has random intercepts only.
        correlation: correlation of random intercept and slope; None where one of their variances is 0.
        sd_residual: standard deviation of the error.
        fitted: fitted values by row, random effects included.
        residuals: value minus fitted, by row.
        random_effects: by athlete, deviation from intercept and from slope.
        levels: value at the mean distance, by column between athletes.
        slopes: change of the value per unit of distance, by column between athletes.
    """

    intercept: float
    slope: float
    se: float
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
    levels: Effects
    slopes: Effects


@dataclass(frozen=True)
class Effects:
    """Fixed effects by column between athletes, q of them.

    Attributes:
        estimates: q.
        covariance: q × q.
        moved: what one standard error of what athletes share moves each by, q.
        df: degrees of freedom.
    """

    estimates: Array
    covariance: Array
    moved: Array
    df: int

    def times(self, unit: float) -> Effects:
        """The same in another unit."""
        return Effects(unit * self.estimates, unit**2 * self.covariance, unit * self.moved, self.df)

    def contrast(self, weights: Array) -> tuple[float, Interval]:
        """A linear combination of the effects and its 95 % interval."""
        estimate, se = float(weights @ self.estimates), float(np.sqrt(weights @ self.covariance @ weights))
        return estimate, with_shared_error(estimate, se, self.df, float(weights @ self.moved))


@dataclass(frozen=True)
class _Rows:
    """Standardised columns, which optimizers need."""

    value: Array
    fixed: Array
    random: Array
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
    between: npt.ArrayLike | None = None,
    overall: npt.ArrayLike | None = None,
) -> MixedTrend:
    """Fit the model.

    Where athletes' slopes do not differ beyond error the model has random intercepts only, and `note` says so.

    Args:
        value: n values.
        distance: distance of each value, n.
        athlete: athlete of each value, n.
        shared: what one standard error of something that all athletes share adds to each value, n; None for nothing.
        between: columns constant within athletes, n × q, of which a combination is 1 in every row; None for that alone.
        overall: weights of these columns that give an average athlete, q; None for the first.

    Raises:
        ValueError: fewer than three athletes with two distances, columns of different lengths, missing values, columns
            that are constant, values without error, or columns between athletes that determine one another.
    """
    y, d = np.asarray(value, dtype=np.float64), np.asarray(distance, dtype=np.float64)
    names, athlete_of_row = np.unique(np.asarray(athlete).astype(str), return_inverse=True)
    _check(y, d, athlete_of_row)
    columns, weights = _between(between, overall, athlete_of_row)
    (d_mean, d_scale), (y_mean, y_scale) = ((float(of.mean()), float(of.std())) for of in (d, y))
    random = np.column_stack([np.ones(len(y)), (d - d_mean) / d_scale])
    fixed = np.hstack([columns, columns * random[:, 1:]])
    rows = _Rows((y - y_mean) / y_scale, fixed, random, athlete_of_row, names.tolist())
    _require_error(rows)
    variances = _variances(rows)
    beta, covariance, departures = _effects(rows, variances)
    added = np.zeros(len(y)) if shared is None else np.asarray(shared, dtype=np.float64)
    moved = _effects(replace(rows, value=added / y_scale), variances)[0]
    levels, slopes = _by_column(beta, covariance, moved, df=len(names) - columns.shape[1])
    # Back to the original units, with the mean value where the columns have their 1.
    levels, slopes = levels.times(y_scale), slopes.times(y_scale / d_scale)
    levels = replace(levels, estimates=levels.estimates + y_mean * np.linalg.lstsq(columns, np.ones(len(y)))[0])
    # Level and slope at distance 0 are a linear map of those at the mean distance.
    back = np.array([[1.0, -d_mean / d_scale], [0.0, 1 / d_scale]]) * y_scale
    athletes = back @ variances.athletes @ back.T
    fitted = y_mean + y_scale * (fixed @ beta + np.sum(random * departures[athlete_of_row], axis=1))
    slope, interval = slopes.contrast(weights)
    return MixedTrend(
        intercept=float(weights @ levels.estimates) - slope * d_mean,
        slope=slope,
        se=interval.se,
        low=interval.low,
        high=interval.high,
        p_value=interval.p_value,
        sd_intercept=float(np.sqrt(max(athletes[0, 0], 0))),
        sd_slope=float(np.sqrt(max(athletes[1, 1], 0))),
        correlation=_correlation(athletes),
        sd_residual=float(np.sqrt(variances.error)) * y_scale,
        n_athletes=len(names),
        n_rows=len(y),
        converged=variances.converged,
        note=" ".join(variances.notes),
        fitted=fitted,
        residuals=y - fitted,
        random_effects=dict(zip(rows.names, map(tuple, (departures @ back.T).tolist()), strict=True)),
        levels=levels,
        slopes=slopes,
    )


def _by_column(beta: Array, covariance: Array, moved: Array, *, df: int) -> tuple[Effects, Effects]:
    """Levels and slopes, which follow one another in the fixed effects."""
    q = len(beta) // 2
    levels, slopes = (Effects(beta[of], covariance[of, of], moved[of], df) for of in (slice(q), slice(q, None)))
    return levels, slopes


def _correlation(athletes: Array) -> float | None:
    product = float(np.sqrt(np.prod(np.maximum(np.diag(athletes), 0))))
    return float(np.clip(athletes[0, 1] / product, -1, 1)) if product > 0 else None


def _between(
    between: npt.ArrayLike | None, overall: npt.ArrayLike | None, athlete_of_row: npt.NDArray[np.intp]
) -> tuple[Array, Array]:
    """Columns between athletes and the weights of an average one."""
    n_rows = len(athlete_of_row)
    columns = np.ones((n_rows, 1)) if between is None else np.asarray(between, dtype=np.float64)
    weights = np.eye(columns.shape[1])[0] if overall is None else np.asarray(overall, dtype=np.float64)
    _, first = np.unique(athlete_of_row, return_index=True)
    of_athletes = columns[first]
    if np.any(columns != of_athletes[athlete_of_row]):
        raise ValueError("A column between athletes must be constant within each of them.")
    n_athletes, q = of_athletes.shape
    if np.linalg.matrix_rank(of_athletes) < q:
        raise ValueError("Groups and covariates determine one another: leave one of them out.")
    if n_athletes < q + 2:
        raise ValueError(f"{q} columns between athletes need at least {q + 2} athletes, not {n_athletes}.")
    return columns, weights


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
    by_athlete[place, 2 * rows.athlete_of_row], by_athlete[place, 2 * rows.athlete_of_row + 1] = 1, rows.random[:, 1]
    coefficients = np.linalg.lstsq(by_athlete, rows.value)[0]
    lines = np.asarray(coefficients.reshape(n_athletes, 2), dtype=np.float64)
    return lines, np.asarray(rows.value - by_athlete @ coefficients, dtype=np.float64)


def _by_moments(rows: _Rows, n_random: int) -> Array:
    """Covariance of athletes' lines beyond error, in units of the error's variance: the start of the optimizers."""
    lines, rest = _own_lines(rows)
    error = max(float(rest @ rest) / max(len(rest) - 2 * len(lines), 1), NO_ERROR)
    expected = np.mean(
        [np.linalg.pinv(x.T @ x) for x in (rows.random[rows.athlete_of_row == place] for place in range(len(lines)))],
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
    x, y, z = rows.fixed, rows.value, rows.random
    df = len(y) - x.shape[1]

    def by_athlete(products: Array) -> Array:
        sums = np.zeros((len(rows.names), *products.shape[1:]))
        np.add.at(sums, rows.athlete_of_row, products)
        return sums

    zz, zx, zy = (
        by_athlete(z[:, :, None] * z[:, None, :]),
        by_athlete(z[:, :, None] * x[:, None, :]),
        by_athlete(z * y[:, None]),
    )
    xx, xy, yy = x.T @ x, x.T @ y, y @ y

    def parts(factor: _Factor) -> tuple[_Factor, _Factor]:
        """The deviance but for a constant, and the error's variance, at a factor of the covariance, row by row."""
        root = np.zeros((2, 2), dtype=factor.dtype)
        root[np.tril_indices(n_random)] = factor
        between = root @ root.T
        spread = np.eye(2) + zz @ between
        taken = between @ np.linalg.inv(spread)  # Woodbury
        total = xx - np.einsum("ajp,ajk,akq->pq", zx, taken, zx)
        sums = xy - np.einsum("ajp,ajk,ak->p", zx, taken, zy)
        rest = yy - np.einsum("aj,ajk,ak->", zy, taken, zy) - sums @ np.linalg.solve(total, sums)
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
        own = rows.athlete_of_row == athlete
        x, z, y = rows.fixed[own], rows.random[own], rows.value[own]
        total = z @ variances.athletes @ z.T + variances.error * np.eye(len(y))
        weighted = np.linalg.solve(total, np.column_stack([x, y]))
        inner += x.T @ weighted[:, :-1]
        right += x.T @ weighted[:, -1]
        terms.append(variances.athletes @ z.T @ weighted)
    beta = np.linalg.solve(inner, right)
    departures = np.array([term[:, -1] - term[:, :-1] @ beta for term in terms], dtype=np.float64)
    return np.asarray(beta, np.float64), np.asarray(np.linalg.inv(inner), np.float64), departures

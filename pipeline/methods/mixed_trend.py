"""Trend of a value over distance in many athletes, with random intercept and slope per athlete: linear mixed model.

For row j of athlete i, at distance d,

    y = intercept + slope d + covariates + (a(i) + b(i) d) + error(i, j)

with a and b normal, correlated, independent between athletes. Variances are estimated by restricted maximum likelihood
with statsmodels; fixed effects, their standard errors and the random effects follow in closed form, which also works
where a variance is at its bound and statsmodels gives no standard errors.

Sources: Laird and Ware 1982, doi 10.2307/2529876 (model, restricted likelihood, random effects; from memory). The
t distribution has n - 1 degrees of freedom for n athletes: for balanced rows without covariates that is exact and
equals Satterthwaite's (read in published output for the sleep deprivation data of Belenky 2003).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from pipeline.core.arrays import Array
from pipeline.methods.shared_error import with_shared_error

#: Optimizers in the order in which they are tried; the first that converges is used.
OPTIMIZERS = ("lbfgs", "bfgs", "cg", "powell", "nm")
FEWEST_ATHLETES = 3
#: Random slopes with a smaller effect over a standard deviation of distance, as a share of the error, count as none:
#: they change the third digit of the slope's standard error at most, and optimizers come no closer to zero.
NO_SLOPES = 1e-2
#: 1 minus the squared correlation, below which the correlation counts as at its bound.
AT_BOUND = 1e-3
#: A residual below this share of the scatter of all values is rounding.
NO_ERROR = 1e-9
#: Warnings of statsmodels about variances near zero and about its standard errors, which are not used; both are judged
#: here instead.
JUDGED_HERE = (
    "The MLE may be on the boundary",
    "The Hessian matrix at the estimated parameter values",
    "Random effects covariance is singular",
)
#: Its three warnings that an optimizer did not converge.
NOT_CONVERGED = (
    "Gradient optimization failed",
    "Maximum Likelihood optimization failed",
    "MixedLM optimization failed",
)


@dataclass(frozen=True)
class MixedTrend:
    """A mixed model, in the units of value and distance.

    Attributes:
        intercept: mean value at distance 0, covariates at their means.
        slope: mean change of the value per unit of distance.
        se: standard error of the slope, with what athletes share.
        low: lower end of the slope's interval, by t with `n_athletes` - 1 degrees of freedom, more with what they
            share.
        p_value: two-sided, of a slope of 0, by the same t.
        covariate_slopes: change of the value per unit of each covariate.
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
    low: float
    high: float
    p_value: float
    covariate_slopes: Mapping[str, float]
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
    covariates: Mapping[str, npt.ArrayLike] | None = None,
    shared: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> MixedTrend:
    """Fit the model.

    Where athletes' slopes do not differ beyond error the model has random intercepts only, and `note` says so.

    Args:
        value: n values.
        distance: distance of each value, n.
        athlete: athlete of each value, n.
        covariates: more regressors by name, n each, without random effects.
        shared: what one standard error of something that all athletes share adds to each value, n; None for nothing.

    Raises:
        ValueError: fewer than three athletes with two distances, columns of different lengths, missing values, columns
            that are constant or follow from each other, or values without error.
    """
    y, d = np.asarray(value, dtype=np.float64), np.asarray(distance, dtype=np.float64)
    extra = {name: np.asarray(column, dtype=np.float64) for name, column in (covariates or {}).items()}
    names, athlete_of_row = np.unique(np.asarray(athlete).astype(str), return_inverse=True)
    _check(y, d, extra, athlete_of_row)
    columns = np.column_stack([d, *extra.values()])
    mean, scale = columns.mean(axis=0), columns.std(axis=0)
    y_mean, y_scale = float(y.mean()), float(y.std())
    fixed = np.column_stack([np.ones(len(y)), (columns - mean) / scale])
    rows = _Rows((y - y_mean) / y_scale, fixed, athlete_of_row, names.tolist())
    _check_design(rows)
    variances = _variances(rows)
    beta, covariance, departures = _effects(rows, variances)
    # Back to the original units: level and slope at distance 0 are a linear map of those at the mean distance.
    back = np.array([[1.0, -mean[0] / scale[0]], [0.0, 1 / scale[0]]]) * y_scale
    own = departures @ back.T
    athletes = back @ variances.athletes @ back.T
    intercept, slope = back @ beta[:2] + [y_mean, 0.0]
    fitted = y_mean + y_scale * (fixed @ beta + np.sum(fixed[:, :2] * departures[athlete_of_row], axis=1))
    se = float(np.sqrt(covariance[1, 1])) * y_scale / float(scale[0])
    df = len(names) - 1
    sd_intercept, sd_slope = (float(sd) for sd in np.sqrt(np.maximum(np.diag(athletes), 0)))
    moved = 0.0
    if shared is not None:
        added = replace(rows, value=np.asarray(shared, dtype=np.float64) / y_scale)
        moved = float((back @ _effects(added, variances)[0][:2])[1])
    interval = with_shared_error(float(slope), se, df, moved, level=level)
    return MixedTrend(
        intercept=float(intercept),
        slope=float(slope),
        se=interval.se,
        low=interval.low,
        high=interval.high,
        p_value=interval.p_value,
        covariate_slopes={
            name: float(one * y_scale / of) for name, one, of in zip(extra, beta[2:], scale[1:], strict=True)
        },
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
        random_effects={name: (float(a), float(b)) for name, (a, b) in zip(rows.names, own, strict=True)},
    )


def _check(value: Array, distance: Array, extra: Mapping[str, Array], athlete_of_row: npt.NDArray[np.intp]) -> None:
    if value.ndim != 1 or any(column.shape != value.shape for column in (distance, athlete_of_row, *extra.values())):
        raise ValueError("Values, distances, athletes and covariates must be columns of the same length.")
    if not all(np.isfinite(column).all() for column in (value, distance, *extra.values())):
        raise ValueError("A row has a missing value: leave it out first.")
    n_identifiable = sum(
        np.ptp(distance[athlete_of_row == one]) > 0 for one in range(int(athlete_of_row.max(initial=-1)) + 1)
    )
    if n_identifiable < FEWEST_ATHLETES:
        raise ValueError(f"A trend over athletes needs three athletes at two distances each, not {n_identifiable}.")
    for name, column in {"values": value, "distances": distance, **extra}.items():
        if np.ptp(column) == 0:
            raise ValueError(f"All {name} are equal: no trend can be estimated.")


def _check_design(rows: _Rows) -> None:
    """Reject collinear columns, and values without error about each athlete's own line."""
    if np.linalg.matrix_rank(rows.fixed) < rows.fixed.shape[1]:
        raise ValueError("A covariate is a linear combination of distance and the other covariates.")
    if float(np.abs(_own_lines(rows)[1]).max()) < NO_ERROR:
        raise ValueError("Each athlete's values lie exactly on a line: without error the model cannot be estimated.")


def _own_lines(rows: _Rows) -> tuple[Array, Array]:
    """Level and slope of each athlete by least squares, covariates in common, and the residuals."""
    place, n_athletes = np.arange(len(rows.value)), len(rows.names)
    own = np.zeros((len(place), 2 * n_athletes))
    own[place, 2 * rows.athlete_of_row], own[place, 2 * rows.athlete_of_row + 1] = 1, rows.fixed[:, 1]
    full = np.column_stack([own, rows.fixed[:, 2:]])
    coefficients = np.linalg.lstsq(full, rows.value)[0]
    lines = np.asarray(coefficients[: 2 * n_athletes].reshape(n_athletes, 2), dtype=np.float64)
    return lines, np.asarray(rows.value - full @ coefficients, dtype=np.float64)


def _by_moments(rows: _Rows, n_random: int) -> Array:
    """Covariance of athletes' lines beyond error, in units of the error's variance: the start of the optimizers."""
    lines, rest = _own_lines(rows)
    error = max(float(rest @ rest) / max(len(rest) - 2 * len(lines), 1), NO_ERROR)
    expected = np.mean(
        [np.linalg.pinv(x.T @ x) for x in (rows.fixed[rows.athlete_of_row == one, :2] for one in range(len(lines)))],
        axis=0,
    )
    values, vectors = np.linalg.eigh((np.cov(lines.T) / error - expected)[:n_random, :n_random])
    return np.asarray((vectors * np.maximum(values, NO_SLOPES)) @ vectors.T, dtype=np.float64)


def _variances(rows: _Rows) -> _Variances:
    variances = _restricted_likelihood(rows, rows.fixed[:, :2])
    if variances is not None and variances.athletes[1, 1] >= NO_SLOPES**2 * variances.error:
        if np.linalg.det(variances.athletes) > AT_BOUND * np.prod(np.diag(variances.athletes)):
            return variances
        note = "Random intercept and slope are perfectly correlated: their correlation is at its bound."
        return _Variances(variances.athletes, variances.error, variances.converged, (*variances.notes, note))
    reason = "could not be fitted" if variances is None else "do not differ between athletes beyond error"
    note = f"Slopes {reason}: the model has random intercepts only."
    levels = _restricted_likelihood(rows, rows.fixed[:, :1])
    if levels is None:
        raise ValueError("No optimizer could fit the model, with or without random slopes.")
    athletes = np.zeros((2, 2))
    athletes[0, 0] = levels.athletes[0, 0]
    return _Variances(athletes, levels.error, levels.converged, (note, *levels.notes))


def _restricted_likelihood(rows: _Rows, random: Array) -> _Variances | None:
    """Try optimizers in order; None where none of them gives a result."""
    model = MixedLM(rows.value, rows.fixed, groups=rows.athlete_of_row, exog_re=random)
    start = MixedLMParams.from_components(
        fe_params=np.linalg.lstsq(rows.fixed, rows.value)[0], cov_re=_by_moments(rows, random.shape[1])
    )
    last: _Variances | None = None
    notes: list[str] = []
    for method in OPTIMIZERS:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                result = model.fit(reml=True, method=method, start_params=start)
            except (np.linalg.LinAlgError, ValueError, FloatingPointError) as error:
                notes.append(f"{method}: {error}.")
                continue
        warned = sorted({" ".join(str(one.message).split()).rstrip(".") for one in caught})
        notes += [f"{method}: {words}." for words in warned if not words.startswith(JUDGED_HERE + NOT_CONVERGED)]
        athletes, error_variance = np.asarray(result.cov_re, dtype=np.float64), float(result.scale)
        if not (np.isfinite(athletes).all() and error_variance > 0):
            continue
        if result.converged:
            notes += [f"The fit is that of {method}."] if method != OPTIMIZERS[0] else []
            return _Variances(athletes, error_variance, True, tuple(notes))
        notes.append(f"{method} did not converge.")
        last = _Variances(athletes, error_variance, False, tuple(notes))
    if last is None:
        return None
    return _Variances(last.athletes, last.error, False, ("No optimizer converged; interpret with care.", *last.notes))


def _effects(rows: _Rows, variances: _Variances) -> tuple[Array, Array, Array]:
    """Fixed effects by generalised least squares, their covariance, and the random effects (athletes × 2)."""
    n_fixed = rows.fixed.shape[1]
    inner, right = np.zeros((n_fixed, n_fixed)), np.zeros(n_fixed)
    terms = []
    for one in range(len(rows.names)):
        x, y = rows.fixed[rows.athlete_of_row == one], rows.value[rows.athlete_of_row == one]
        z = x[:, :2]
        total = z @ variances.athletes @ z.T + variances.error * np.eye(len(y))
        weighted = np.linalg.solve(total, np.column_stack([x, y]))
        inner += x.T @ weighted[:, :-1]
        right += x.T @ weighted[:, -1]
        terms.append(variances.athletes @ z.T @ weighted)
    beta = np.linalg.solve(inner, right)
    departures = np.array([one[:, -1] - one[:, :-1] @ beta for one in terms], dtype=np.float64)
    return np.asarray(beta, np.float64), np.asarray(np.linalg.inv(inner), np.float64), departures

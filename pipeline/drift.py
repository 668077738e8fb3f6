"""Stage `drift`: the splits of athletes → how each metric changes as the distance adds up, at equal speed and slope.

For metric y in split k of run r of one athlete, with d the distance in units of 10 km:

    log y = level_r + b log(speed / reference) + c slope + c2 slope² + (drift + own_r) d + error

Every run has its own level, so that only changes inside runs count: a fast day or a worn sensor battery is no drift.
The responses b, c, c2 are the athlete's own. `own_r` is the run's departure from the athlete's drift, a random effect.
Errors fade along the run: those of splits x km apart correlate by rho^x; a split weighs by the time it was measured
over.

Estimation is restricted maximum likelihood over rho and the variance of `own_r` on a grid, with everything else in
closed form from each run's cross-products. Intervals leave out one whole run at a time (jackknife), so that whatever
runs do as a whole — their own drifts, a bad sensor day, errors that fade otherwise than assumed — is in the interval.
Sources: Laird and Ware 1982 (random effects, doi 10.2307/2529876); MacKinnon and White 1985 (jackknife, doi
10.1016/0304-4076(85)90158-7); both from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from pipeline.metrics import METRICS

Array = npt.NDArray[np.float64]

#: Correlation of the errors of neighbouring kilometres, and variance of the runs' own drifts in units of the error
#: variance: the grid of the likelihood. Steps finer than these move the intervals by less than their last digit shown.
RHO = np.linspace(0.0, 0.9, 10)
SPREAD = np.concatenate([[0.0], np.geomspace(0.03, 300.0, 14)])

#: Responses are estimated only from what varied: within-run standard deviations below these teach nothing.
SPEED_VARIES = 0.005  # of log speed: half a percent
SLOPE_VARIES_PCT = 0.3

TEN_KM = 10_000.0
SPEED, SLOPE, SLOPE_SQUARED, DISTANCE, VALUE = range(5)  # columns of the design


@dataclass(frozen=True)
class _Design:
    """The splits of one athlete and metric that enter.

    Attributes:
        columns: speed (log), slope, squared slope, distance (10 km), log of the metric; one row a split, n × 5.
        run: index of the run of each split, non-decreasing.
        run_ids: name of each run.
        gap_km: distance from the split before in the same run, NaN for a run's first [km].
        weight: time measured over, relative to a typical split.
        uses: which of the responses vary enough to be estimated, as columns.
    """

    columns: Array
    run: npt.NDArray[np.int64]
    run_ids: Sequence[str]
    gap_km: Array
    weight: Array
    uses: tuple[int, ...]


@dataclass(frozen=True)
class _Fit:
    """The model fitted to one design.

    Attributes:
        products: cross-products of the whitened columns in each run, its level taken out, runs × 5 × 5.
        rho: correlation of the errors of neighbouring kilometres.
        spread: variance of the runs' own drifts over that of the errors.
        beta: responses in the order of `uses`, then the drift.
        covariance: of beta.
        variance: of the errors.
        freedom: degrees of freedom of `variance`.
    """

    products: Array
    rho: float
    spread: float
    beta: Array
    covariance: Array
    variance: float
    freedom: int


def drift(
    splits: pl.DataFrame,
    *,
    split_length_m: float,
    warm_up_m: float,
    min_run_share: float,
    min_length_share: float,
    min_splits_of_run: int,
    min_runs: int,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Estimate the drift of every metric, per run and per athlete.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        split_length_m: length of a whole split [m].
        warm_up_m: splits that begin before this distance do not enter [m].
        min_run_share: splits with a smaller share of running do not enter.
        min_length_share: splits shorter than this share of `split_length_m` do not enter.
        min_splits_of_run: runs with fewer splits left do not enter.
        min_runs: athletes with fewer runs left get no estimate, only the counts.

    Returns:
        Rows of the tables `run_drift` and `athlete_drift`, the latter without `q_value`, which needs all athletes.
    """
    usable = splits.filter(
        (pl.col("km") - 1) * split_length_m >= warm_up_m,
        pl.col("run_share") >= min_run_share,
        pl.col("length_m") >= min_length_share * split_length_m,
        pl.col("speed_m_s") > 0,
    ).sort("athlete_id", "run_id", "km")
    run_rows: list[dict[str, object]] = []
    athlete_rows: list[dict[str, object]] = []
    for (athlete_id,), everything in splits.group_by("athlete_id", maintain_order=True):
        own = usable.filter(pl.col("athlete_id") == athlete_id)
        reference = own["speed_m_s"].median()
        for metric in METRICS:
            if everything[metric.column].null_count() == everything.height:
                continue  # never measured: no row, rather than a row of nothing
            design = _design(own, metric.column, split_length_m, min_splits_of_run)
            name = {"athlete_id": athlete_id, "metric": metric.column}
            row = name | {"n_runs": len(design.run_ids), "n_splits": len(design.run), "reference_speed_m_s": reference}
            if len(design.run_ids) >= min_runs:
                fit = _fit(design)
                row |= _athlete_row(design, fit)
                run_rows += [name | one for one in _run_rows(design, fit)]
            athlete_rows.append(row)
    return (
        pl.DataFrame(run_rows, schema=_RUN_COLUMNS),
        pl.DataFrame(athlete_rows, schema=_ATHLETE_COLUMNS),
    )


_RUN_COLUMNS = {
    "run_id": pl.String,
    "athlete_id": pl.String,
    "metric": pl.String,
    "n_splits": pl.Int64,
    "raw_pct_per_10km": pl.Float64,
    "drift_pct_per_10km": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
}
_ATHLETE_COLUMNS = {
    "athlete_id": pl.String,
    "metric": pl.String,
    "n_runs": pl.Int64,
    "n_splits": pl.Int64,
    "fresh_level": pl.Float64,
    "reference_speed_m_s": pl.Float64,
    "raw_pct_per_10km": pl.Float64,
    "drift_pct_per_10km": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "p_value": pl.Float64,
    "speed_part_pct": pl.Float64,
    "slope_part_pct": pl.Float64,
}


# --- What enters -----------------------------------------------------------------------------------------------------


def _design(usable: pl.DataFrame, metric: str, split_length_m: float, min_splits_of_run: int) -> _Design:
    reference = usable["speed_m_s"].median() or 1.0
    rows = usable.filter(pl.col(metric) > 0)
    rows = rows.filter(pl.len().over("run_id") >= min_splits_of_run)
    run_ids = rows["run_id"].unique(maintain_order=True).to_list()
    run = rows["run_id"].rle_id().cast(pl.Int64).to_numpy() if run_ids else np.zeros(0, dtype=np.int64)
    km = rows["km"].to_numpy().astype(np.float64)
    columns = np.column_stack(
        [
            np.log(rows["speed_m_s"].to_numpy() / reference),
            # Where no altitude was recorded the run enters as level: a constant that its own level takes up.
            rows["slope_pct"].fill_null(0).to_numpy(),
            rows["slope_squared_pct2"].fill_null(0).to_numpy(),
            (km - 0.5) * split_length_m / TEN_KM,
            np.log(rows[metric].to_numpy()),
        ]
    )
    gap_km = np.diff(km, prepend=np.nan) * split_length_m / 1000
    gap_km[np.diff(run, prepend=-1) > 0] = np.nan
    running = rows["running_s"].to_numpy()
    weight = running / np.median(running) if len(running) else running
    within = columns - _per_run(columns, run, len(run_ids))[run] if run_ids else columns
    deviation = within.std(axis=0) if run_ids else np.zeros(5)
    uses: tuple[int, ...] = (SPEED,) if deviation[SPEED] > SPEED_VARIES else ()
    if deviation[SLOPE] > SLOPE_VARIES_PCT:
        uses += (SLOPE, SLOPE_SQUARED)
    return _Design(columns, run, run_ids, gap_km, weight, uses)


def _per_run(values: Array, run: npt.NDArray[np.int64], n_runs: int) -> Array:
    """Mean of each run, runs × columns."""
    counts = np.bincount(run, minlength=n_runs)
    sums = np.column_stack([np.bincount(run, weights=column, minlength=n_runs) for column in values.T])
    return np.asarray(sums / counts[:, None])


# --- The model -------------------------------------------------------------------------------------------------------


def _fit(design: _Design) -> _Fit:
    """Choose rho and the spread by restricted likelihood, then estimate and leave out one run at a time."""
    places = (*design.uses, DISTANCE)
    best, rho, products, spread = -np.inf, 0.0, np.zeros((0, 5, 5)), 0.0
    for candidate in RHO:
        whitened, log_determinant = _whitened_products(design, float(candidate))
        likelihoods = _likelihoods(whitened, places, len(design.run), log_determinant)
        place = int(np.argmax(likelihoods))
        if likelihoods[place] > best:
            best, rho, products, spread = float(likelihoods[place]), float(candidate), whitened, float(SPREAD[place])

    a, b, yy = _normal_equations(products, places, spread)
    total_a, total_b = a.sum(axis=0), b.sum(axis=0)
    beta = np.linalg.solve(total_a, total_b)
    freedom = max(len(design.run) - len(design.run_ids) - len(places), 1)
    variance = max(float(yy.sum() - total_b @ beta), 0.0) / freedom
    return _Fit(products, rho, spread, beta, _jackknife(a, b), variance, freedom)


def _whitened_products(design: _Design, rho: float) -> tuple[Array, float]:
    """Cross-products of each run after its errors are made independent and equal, and its level is taken out.

    Returns:
        runs × 5 × 5, and the logarithms of the determinants that the likelihood needs.
    """
    is_first = np.isnan(design.gap_km)
    fades = np.where(is_first, 0.0, rho ** np.where(is_first, 1.0, design.gap_km))
    scaled = np.column_stack([design.columns, np.ones(len(design.run))]) * np.sqrt(design.weight)[:, None]
    before = np.vstack([np.zeros((1, 6)), scaled[:-1]])
    white = (scaled - fades[:, None] * before) / np.sqrt(1 - fades**2)[:, None]
    full = np.add.reduceat(white[:, :, None] * white[:, None, :], np.flatnonzero(is_first), axis=0)
    level = full[:, 5, 5]
    products = full[:, :5, :5] - full[:, :5, 5, None] * full[:, None, 5, :5] / level[:, None, None]
    return products, float(np.log(level).sum() + np.log1p(-(fades**2)).sum())


def _normal_equations(products: Array, places: Sequence[int], spread: float) -> tuple[Array, Array, Array]:
    """Each run's share of X'V⁻¹X, X'V⁻¹y and y'V⁻¹y, with V holding the run's own drift (Woodbury)."""
    shrink = spread / (1 + spread * products[:, DISTANCE, DISTANCE])
    along = products[:, :, DISTANCE]
    inner = products - shrink[:, None, None] * along[:, :, None] * along[:, None, :]
    x = np.array(places)
    return inner[:, x[:, None], x], inner[:, x, VALUE], inner[:, VALUE, VALUE]


def _likelihoods(products: Array, places: Sequence[int], n_splits: int, log_determinant: float) -> Array:
    """Restricted log-likelihood for each spread of the grid, all at once."""
    squares = products[:, DISTANCE, DISTANCE]
    shrink = SPREAD[:, None] / (1 + SPREAD[:, None] * squares)
    along = products[:, :, DISTANCE]
    total = products.sum(axis=0) - np.einsum("sr,ri,rj->sij", shrink, along, along)
    x = np.array(places)
    a, b, yy = total[:, x[:, None], x], total[:, x, VALUE], total[:, VALUE, VALUE]
    sign, log_a = np.linalg.slogdet(a)
    usable = sign > 0
    a = np.where(usable[:, None, None], a, np.eye(len(x)))
    rest = np.maximum(yy - np.einsum("si,si->s", b, np.linalg.solve(a, b[:, :, None])[:, :, 0]), 1e-300)
    freedom = max(n_splits - len(products) - len(places), 1)
    own = np.log1p(SPREAD[:, None] * squares).sum(axis=1)
    return np.where(usable, -0.5 * (freedom * np.log(rest) + log_a + own + log_determinant), -np.inf)


def _jackknife(a: Array, b: Array) -> Array:
    """Covariance of beta from leaving out one run at a time."""
    n_runs = len(a)
    without = np.linalg.solve(a.sum(axis=0) - a, (b.sum(axis=0) - b)[:, :, None])[:, :, 0]
    apart = without - without.mean(axis=0)
    return np.asarray((n_runs - 1) / n_runs * apart.T @ apart)


# --- What comes out --------------------------------------------------------------------------------------------------


def _athlete_row(design: _Design, fit: _Fit) -> dict[str, object]:
    n_runs = len(design.run_ids)
    estimate, error = float(fit.beta[-1]), float(np.sqrt(fit.covariance[-1, -1]))
    reach = float(special.stdtrit(n_runs - 1, 0.975)) * error
    p_value = 2 * float(special.stdtr(n_runs - 1, -abs(estimate) / error)) if error > 0 else None

    # With the same weights for all, the raw slope is exactly the drift plus what each response passes on: response
    # times the slope of its own cause along the run.
    a, b, _ = _normal_equations(fit.products, (DISTANCE, *design.uses), fit.spread)
    along = a.sum(axis=0)[0]
    raw = float(b.sum(axis=0)[0] / along[0])
    passed_on = dict(zip(design.uses, fit.beta[:-1] * along[1:] / along[0], strict=True))

    response = np.zeros(5)
    response[list(design.uses)] = fit.beta[:-1]
    response[DISTANCE] = estimate
    levels = _per_run(
        (design.columns[:, VALUE] - design.columns[:, :VALUE] @ response[:VALUE])[:, None], design.run, n_runs
    )
    return {
        "fresh_level": float(np.exp(levels.mean())),
        "raw_pct_per_10km": _percent(raw),
        "drift_pct_per_10km": _percent(estimate),
        "drift_low": _percent(estimate - reach),
        "drift_high": _percent(estimate + reach),
        "p_value": p_value,
        "speed_part_pct": _percent(passed_on.get(SPEED, 0.0)),
        "slope_part_pct": _percent(passed_on.get(SLOPE, 0.0) + passed_on.get(SLOPE_SQUARED, 0.0)),
    }


def _run_rows(design: _Design, fit: _Fit) -> Iterator[dict[str, object]]:
    """Each run's own drift, with the athlete's responses; their uncertainty is part of its interval."""
    uses = list(design.uses)
    responses, covariance = fit.beta[:-1], fit.covariance[:-1, :-1]
    counts = np.bincount(design.run, minlength=len(design.run_ids))
    quantile = float(special.stdtrit(fit.freedom, 0.975))
    for run_id, count, products in zip(design.run_ids, counts, fit.products, strict=True):
        along = products[DISTANCE, DISTANCE]
        passes_on = products[DISTANCE, uses] / along
        estimate = products[DISTANCE, VALUE] / along - passes_on @ responses
        reach = quantile * np.sqrt(fit.variance / along + passes_on @ covariance @ passes_on)
        yield {
            "run_id": run_id,
            "n_splits": int(count),
            "raw_pct_per_10km": _percent(products[DISTANCE, VALUE] / along),
            "drift_pct_per_10km": _percent(estimate),
            "drift_low": _percent(estimate - reach),
            "drift_high": _percent(estimate + reach),
        }


def _percent(change_of_log: float) -> float:
    """A difference of logarithms as percent."""
    return 100 * float(np.expm1(change_of_log))

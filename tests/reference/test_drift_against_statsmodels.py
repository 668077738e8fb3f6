"""Stage `drift` against statsmodels, SciPy and dense linear algebra written here.

The stage works from cross-products of each run and never forms a covariance matrix; here the full matrices are formed.
Its correlation and variance ratio lie on a grid (`RHO`, `VARIANCE_RATIO`), and splits far off their run's line lose
weight (`FAR_OFF`). Where exactness is asked for, the reference searches the same grid and weighs by the same rule;
where the authority optimises freely, the tolerance says what a step of the grid may cost.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import linalg, optimize, special, stats
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.core.settings import Settings
from pipeline.methods.mixed_model import FAR_OFF, RHO, VARIANCE_RATIO
from pipeline.stages.drift import drift
from tests.support.season import EXACTLY_MEASURED, Form, Season, draw

CONTACT = "contact_time_ms"
NUMBERS = {
    "inclusion": Settings().inclusion,
    "max_collinearity": 0.9,
    "seed": 1,
    # The seasons here have exact speed and slope, and no warm-up.
    "speed_error_pct": 0.0,
    "warm_up_effect_pct": 0.0,
    "slope_error_pct": 0.0,
}

#: Runs of the same length, nothing lost, errors independent.
BALANCED = EXACTLY_MEASURED.but(
    km=(21, 21), walked_share=0.0, lost_share=0.0, unread_share=0.0, last_piece_m=0.0, n_runs=10, run_speed_sd_pct=0.0
).with_contact(drift_pct=2.0, rho=0.0, own_drift_sd_pct=1.5)
#: Mixed lengths, losses, correlated errors; speed varies too little for a curve to be looked for.
MIXED = EXACTLY_MEASURED.but(n_runs=8, split_speed_sd_pct=1.5, speed_per_slope=-0.01).with_contact(drift_pct=2.0)


class Problem:
    """The splits that enter, as one dense regression: responses and distance, then a level for each run."""

    def __init__(self, splits: pl.DataFrame, *, equal_weights: bool = False) -> None:
        rows = splits.filter(
            pl.col("km") > 1, pl.col("run_share") >= 0.95, pl.col("length_m") >= 990, pl.col(CONTACT).is_not_null()
        )
        rows = rows.filter(pl.len().over("run_id") >= 4)
        self.run = rows["run_id"].rle_id().to_numpy()
        self.km = rows["km"].to_numpy().astype(float)
        self.distance = (self.km - 0.5) / 10
        self.y = np.log(rows[CONTACT].to_numpy())
        causes = [
            np.log(rows["speed_m_s"].to_numpy()),
            rows["slope_pct"].to_numpy(),
            rows["slope_squared_pct2"].to_numpy(),
        ]
        self.levels = (self.run[:, None] == np.arange(self.run.max() + 1)).astype(float)
        self.adjusted = np.column_stack([self.distance, *causes, self.levels])
        self.raw = np.column_stack([self.distance, self.levels])
        time = rows["running_s"].to_numpy()
        self.weight = np.ones(len(time)) if equal_weights else time / np.median(time)
        self.n_runs = int(self.run.max()) + 1

    def covariance(self, rho: float, variance_ratio: float) -> np.ndarray:
        """Of the errors and the runs' own drifts, over the variance of an error."""
        same_run = self.run[:, None] == self.run[None, :]
        fading = np.abs(self.km[:, None] - self.km[None, :])
        with np.errstate(divide="ignore"):
            errors = np.where(fading == 0, 1.0, rho**fading) / np.sqrt(np.outer(self.weight, self.weight))
        return np.where(same_run, errors + variance_ratio * np.outer(self.distance, self.distance), 0.0)

    def restricted_likelihood(self, rho: float, variance_ratio: float) -> float:
        """Harville 1977, doi 10.1080/01621459.1977.10480998 (from memory): with the error variance profiled out."""
        lower = np.linalg.cholesky(self.covariance(rho, variance_ratio))
        x, y = (linalg.solve_triangular(lower, columns, lower=True) for columns in (self.adjusted, self.y))
        q, r = np.linalg.qr(x)
        rest = float(np.sum((y - q @ (q.T @ y)) ** 2))
        log_determinants = 2 * np.log(np.diag(lower)).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
        return -0.5 * ((len(self.y) - x.shape[1]) * np.log(rest) + log_determinants)

    def best_of_grid(self) -> tuple[float, float]:
        grid = [(rho, variance_ratio) for rho in RHO for variance_ratio in VARIANCE_RATIO]
        return max(grid, key=lambda place: self.restricted_likelihood(*place))

    def best(self) -> tuple[float, float]:
        """The best rho of the grid, and the best spread between the neighbours of the grid's."""
        rho, variance_ratio = self.best_of_grid()
        place = list(VARIANCE_RATIO).index(variance_ratio)
        bounds = VARIANCE_RATIO[max(place - 1, 0)], VARIANCE_RATIO[min(place + 1, len(VARIANCE_RATIO) - 1)]
        free = optimize.minimize_scalar(
            lambda candidate: -self.restricted_likelihood(rho, candidate),
            bounds=bounds,
            method="bounded",
            options={"xatol": 1e-6},
        )
        # A bounded search never tries the bounds themselves.
        return max([(rho, float(free.x)), (rho, variance_ratio)], key=lambda pair: self.restricted_likelihood(*pair))

    def settle(self) -> tuple[float, float]:
        """Correlation and spread after splits far off their run's line have lost weight (Huber 1964, from memory)."""
        _, *responses = self.fit(*self.best())[:4]
        left = self.y - self.adjusted[:, 1:4] @ responses
        for run in range(self.n_runs):
            of_run = self.run == run
            line = stats.linregress(self.distance[of_run], left[of_run])
            left[of_run] -= line.intercept + line.slope * self.distance[of_run]
        left = np.abs(left) * np.sqrt(self.weight)
        limit = FAR_OFF * np.median(left) / stats.norm.ppf(0.75)
        self.weight = self.weight * np.where(left > limit, limit / left, 1.0)
        return self.best()

    def fit(self, rho: float, variance_ratio: float, rows: np.ndarray | None = None) -> np.ndarray:
        """Generalised least squares by statsmodels; levels of runs that are left out are left out too."""
        rows = np.ones(len(self.y), dtype=bool) if rows is None else rows
        used = self.adjusted[rows]
        used = used[:, np.abs(used).sum(axis=0) > 0]
        sigma = self.covariance(rho, variance_ratio)[np.ix_(rows, rows)]
        return np.asarray(sm.GLS(self.y[rows], used, sigma=sigma).fit().params)

    def leverage(self, rho: float, variance_ratio: float, rows: np.ndarray) -> np.ndarray:
        """What each value contributes to the drift that these rows give; nothing for the others."""
        used = self.adjusted[rows]
        used = used[:, np.abs(used).sum(axis=0) > 0]
        inverse = np.linalg.inv(self.covariance(rho, variance_ratio)[np.ix_(rows, rows)])
        shares = np.zeros(len(self.y))
        shares[rows] = np.linalg.solve(used.T @ inverse @ used, used.T @ inverse)[0]
        return shares


def log_change(percent: float) -> float:
    return float(np.log1p(percent / 100))


def drift_of(splits: pl.DataFrame) -> Mapping[str, float]:
    return drift(splits, **NUMBERS)[1].row(by_predicate=pl.col("metric") == CONTACT, named=True)


def own_slopes(splits: pl.DataFrame, column: str) -> np.ndarray:
    rows = drift(splits, **NUMBERS)[0].filter(pl.col("metric") == CONTACT).sort("run_id")
    return np.log1p(rows[column].to_numpy() / 100)


def season(club: Season, seed: int) -> pl.DataFrame:
    return draw(club, seed, only=(CONTACT,))


def at_equal_weights(splits: pl.DataFrame) -> pl.DataFrame:
    """The same splits, each measured over the same time."""
    return splits.with_columns(running_s=pl.lit(300.0), moving_s=pl.lit(300.0))


# --- The mixed model -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_the_drift_is_that_of_the_mixed_model_of_statsmodels(seed: int):
    """Restricted likelihood, run levels as fixed effects, a random slope of distance for each run.

    Balanced runs hang little on the spread: a step of the grid (a factor of 1.9) or of rho (0.1, where the truth is 0)
    and the lost weight of about one split in 300 move the estimate by half a percent of its own standard error in the
    middle of 30 seasons, and by 9 % in the worst. Tolerance 15 % of that error.
    """
    splits = at_equal_weights(season(BALANCED, seed))
    problem = Problem(splits, equal_weights=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the authority's own notes on its optimiser
        # In percent: its optimiser wants numbers of about one.
        model = MixedLM(100 * problem.y, problem.adjusted, groups=problem.run, exog_re=problem.distance[:, None])
        authority = model.fit(reml=True, method=["bfgs", "powell"])
    estimate = 100 * log_change(drift_of(splits)["drift_pct_per_10km"])
    assert abs(estimate - authority.fe_params[0]) < 0.15 * authority.bse_fe[0]


def test_without_other_causes_balanced_runs_give_the_mean_of_their_slopes():
    """Equal designs weigh equally whatever the spread: exact for every rho and spread of the grid."""
    even = PLAIN.but(hills_sd_pct=0.0, split_speed_sd_pct=0.0, fade_pct=0.0, fade_sd_pct=0.0, speed_per_slope=0.0)
    splits = alternating(3, even.with_contact(own_drift_sd_pct=1.5))
    slopes = own_slopes(splits, "drift_pct_per_10km")
    assert slopes.std() > 0.005
    assert log_change(drift_of(splits)["drift_pct_per_10km"]) == pytest.approx(slopes.mean(), abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_on_its_grid_it_finds_what_dense_matrices_find(seed: int):
    """Exact but for the limit of far-off splits, where the stage writes 0.6745 for the quartile of a normal: 1e-7."""
    splits = season(MIXED, seed)
    problem = Problem(splits)
    [estimate, *_] = problem.fit(*problem.settle())
    assert log_change(drift_of(splits)["drift_pct_per_10km"]) == pytest.approx(estimate, abs=2e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_grid_costs_little_against_a_free_search(seed: int):
    """The free optimum of rho and spread lies within a step of the grid. That moved the estimate by 2.5 % of its error
    in the middle of 30 seasons, and by 11 % in the worst. Tolerance 15 %.
    """
    splits = season(MIXED, seed)
    problem = Problem(splits)
    rho, variance_ratio = problem.settle()
    free = optimize.minimize(
        lambda place: -problem.restricted_likelihood(special.expit(place[0]), np.exp(place[1])),
        [special.logit(np.clip(rho, 0.05, 0.9)), np.log(max(variance_ratio, 0.02))],
        method="Nelder-Mead",
        options={"xatol": 1e-3, "fatol": 1e-6, "maxiter": 200},
    )
    [estimate, *_] = problem.fit(special.expit(free.x[0]), np.exp(free.x[1]))
    result = drift_of(splits)
    width = log_change(result["drift_high"]) - log_change(result["drift_low"])
    error = width / (2 * stats.t.ppf(0.975, result["n_runs"] - 1))
    assert abs(log_change(result["drift_pct_per_10km"]) - estimate) < 0.15 * error


# --- Plain least squares ---------------------------------------------------------------------------------------------

#: Errors that alternate in sign: no positive correlation, so that rho is 0; the same in every run: no spread.
PLAIN = BALANCED.with_contact(error_sd_pct=0.0, own_drift_sd_pct=0.0)


def alternating(seed: int, club: Season = PLAIN) -> pl.DataFrame:
    splits = at_equal_weights(season(club, seed))
    sign = pl.when(pl.col("km") % 2 == 0).then(0.01).otherwise(-0.01) * (1 + (pl.col("km") * 7 % 5) / 10)
    return splits.with_columns(pl.col(CONTACT) * sign.exp())


@pytest.mark.parametrize("seed", range(3))
def test_without_spread_or_correlation_the_drift_is_ordinary_least_squares_with_run_levels(seed: int):
    splits = alternating(seed)
    problem = Problem(splits, equal_weights=True)
    assert problem.best_of_grid() == (0.0, 0.0)
    result = drift_of(splits)
    adjusted, raw = (sm.OLS(problem.y, design).fit().params for design in (problem.adjusted, problem.raw))
    assert log_change(result["drift_pct_per_10km"]) == pytest.approx(adjusted[0], abs=1e-10)
    assert log_change(result["raw_pct_per_10km"]) == pytest.approx(raw[0], abs=1e-10)


@pytest.mark.parametrize("seed", range(3))
def test_the_raw_slope_of_a_run_is_that_of_scipy_where_splits_scatter_independently(seed: int):
    splits = alternating(seed)
    problem = Problem(splits, equal_weights=True)
    expected = [
        stats.linregress(problem.distance[problem.run == run], problem.y[problem.run == run]).slope
        for run in range(problem.n_runs)
    ]
    assert own_slopes(splits, "raw_pct_per_10km") == pytest.approx(expected, abs=1e-10)


def test_the_slope_of_a_run_at_equal_speed_is_that_of_scipy_after_the_common_responses_are_taken_off():
    splits = alternating(1)
    problem = Problem(splits, equal_weights=True)
    responses = sm.OLS(problem.y, problem.adjusted).fit().params[1:4]
    left = problem.y - problem.adjusted[:, 1:4] @ responses
    expected = [
        stats.linregress(problem.distance[problem.run == run], left[problem.run == run]).slope
        for run in range(problem.n_runs)
    ]
    assert own_slopes(splits, "drift_pct_per_10km") == pytest.approx(expected, abs=1e-10)


def test_weights_are_those_of_weighted_least_squares_over_running_time():
    splits = alternating(2).with_columns(running_s=200 + 30 * (pl.col("km") % 4), moving_s=pl.lit(400.0))
    problem = Problem(splits)
    assert problem.best_of_grid() == (0.0, 0.0)
    expected = sm.WLS(problem.y, problem.adjusted, weights=problem.weight).fit().params[0]
    assert log_change(drift_of(splits)["drift_pct_per_10km"]) == pytest.approx(expected, abs=1e-10)


# --- The interval ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seed", "n_runs"), [(0, 3), (1, 4), (2, 8), (3, 12)])
def test_the_interval_is_that_of_refits_without_one_run_each(seed: int, n_runs: int):
    """Jackknife over runs, by as many dense regressions as there are runs, with the correlation and spread of all runs.

    Efron and Stein 1981, doi 10.1214/aos/1176345462: the sum of squared shifts. Bell and McCaffrey 2002, Survey
    Methodology 28:169: scaled to be unbiased, and its degrees of freedom, from the covariance of the shifts under the
    model, which is here built value by value. Both from memory. The spread is searched to a thousandth on both sides.
    """
    splits = season(MIXED.but(n_runs=n_runs), seed)
    problem = Problem(splits)
    rho, variance_ratio = problem.settle()
    covariance = problem.covariance(rho, variance_ratio)
    everything = np.ones(len(problem.y), dtype=bool)
    of_all = problem.leverage(rho, variance_ratio, everything)
    shifts = np.array([of_all - problem.leverage(rho, variance_ratio, problem.run != run) for run in range(n_runs)])
    of_shifts = shifts @ covariance @ shifts.T
    variance = np.sum((shifts @ problem.y) ** 2) * (of_all @ covariance @ of_all) / np.trace(of_shifts)
    freedom = np.trace(of_shifts) ** 2 / np.sum(of_shifts**2)

    result = drift_of(splits)
    assert result["n_runs"] == n_runs
    assert 1 <= freedom <= n_runs - 1
    width = log_change(result["drift_high"]) - log_change(result["drift_low"])
    assert width == pytest.approx(2 * stats.t.ppf(0.975, freedom) * np.sqrt(variance), rel=1e-3)
    estimate = log_change(result["drift_pct_per_10km"])
    assert result["p_value"] == pytest.approx(2 * stats.t.sf(abs(estimate) / np.sqrt(variance), freedom), rel=5e-3)


def test_a_form_without_scatter_is_a_form_of_the_reference_too():
    """The generator and the dense regression agree with each other before either judges the pipeline."""
    exact = MIXED.but(contact=Form(level=260.0, drift_pct=2.0, per_speed=-0.6, per_slope=0.004, level_sd_pct=1.0))
    [slope, speed, hill, squared, *_] = Problem(season(exact, 1)).fit(0.5, 1.0)
    assert [slope, speed, hill, squared] == pytest.approx([np.log(1.02), -0.6, 0.004, 0.0], abs=1e-9)

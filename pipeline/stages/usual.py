"""Stage `usual`: the splits at equal speed and slope → what is usual of an athlete, and how each run compares.

Rows in: splits, run_drift and athlete_drift, with its findings. Rows out: one per athlete and metric, one per athlete,
metric and kilometre, and one per run and metric.

Splits are adjusted with the responses that `athlete_drift` publishes, and taken relative to the level that their run
had when fresh. Where a break stands out, that is the level by the broken line: the straight one is steep from the
start, so that it begins too low or too high. At each kilometre the mean is over the runs that reach it, each with the
same weight, and its interval is Student's t over runs.

A run is compared with the athlete's other runs. The other runs give a mean and a variance between runs
(`pipeline/methods/meta_regression.py`); with both, and with the error of the run itself, follows the interval in which
the drift of such a run lies if nothing is unusual about it. A short or uneven run has a wide interval: where it leaves
room for twice the smallest change of interest, the run alone tells nothing.

What it cannot see: the uncertainty of the responses, which all kilometres of an athlete share, is not in the intervals
over kilometres; that of `athlete_drift` has it.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.methods.adjustment import RESPONSES, effect, warm_up_effect
from pipeline.methods.design import TEN_KM
from pipeline.tables import types_of

#: Fewer runs at a kilometre have a mean without an interval. Common practice, no source.
FEWEST_RUNS_OF_INTERVAL = 3
#: Fewer other runs do not say what is usual. Common practice, no source.
FEWEST_OTHER_RUNS = 4
#: A run whose interval leaves room for this many times the smallest change of interest tells nothing alone. Common
#: practice, no source.
ROOM = 2.0
#: Share of the smallest change of interest by which the change at the usual distance may differ from that along the
#: straight line, and levels along that be given. Common practice, no source.
AWAY = 0.1

_LINE = ("drift_pct_per_10km", "drift_before_onset_pct", "drift_after_onset_pct")
_PER_KM = 1000 / TEN_KM


def usual_course(
    splits: pl.DataFrame, run_drifts: pl.DataFrame, drifts: pl.DataFrame, *, inclusion: Inclusion
) -> pl.DataFrame:
    """The course of each metric along the distance, over the runs of each athlete.

    Args:
        splits: rows of `splits`.
        run_drifts: rows of `run_drift`.
        drifts: rows of `athlete_drift` with their findings.

    Returns:
        Rows of `usual_course`: for each athlete and metric with an estimate a row per split that any run reached.
    """
    used = inclusion.with_known_slope(splits).with_columns(
        distance_km=(pl.col("km") - 0.5) * inclusion.split_length_m / 1000
    )
    estimated = set(drifts.drop_nulls("drift_pct_per_10km")["metric"])
    courses = [
        _course(used, run_drifts, drifts, metric.column, inclusion)
        for metric in inclusion.registry.metrics
        if metric.column in estimated
    ]
    if not courses:
        return pl.DataFrame(schema=types_of("usual_course"))
    return pl.concat(courses).select(list(types_of("usual_course"))).sort("athlete_id", "metric", "km")


def usual(course: pl.DataFrame, drifts: pl.DataFrame, *, inclusion: Inclusion) -> pl.DataFrame:
    """The usual level of each metric when fresh and at the usual distance, and how many runs would settle it.

    Args:
        course: rows of `usual_course`.
        drifts: rows of `athlete_drift` with their findings.

    Returns:
        Rows of `usual`.
    """
    levels = course.group_by("athlete_id", "metric").agg(pl.col("start_level").first())
    beyond = pl.col("change_at_usual_distance_pct") / 100
    # Where a break stands out at no place that could be given, the change is that along a line that is not published,
    # nor is the level at its start.
    away_pct = 100 * (beyond - (_log_line(pl.col("usual_distance_km")).exp() - 1)).abs()
    is_placed = pl.col("onset_km").is_not_null() | (away_pct <= AWAY * pl.col("smallest_change_at_usual_distance_pct"))
    # The error of a mean over runs falls with the root of their number; what the size of the error of speed adds stays.
    now, smallest = pl.col("detectable_pct") ** 2, pl.col("smallest_change_pct") ** 2
    stays = pl.col("detectable_at_best_pct").fill_null(0.0) ** 2
    needed = (pl.col("n_runs") * (now - stays) / (smallest - stays)).ceil()
    is_open = (pl.col("finding") == "unclear") & pl.col("drift_pct_per_10km").is_not_null()
    more = (
        pl.when(pl.col("finding") == "too_little_data")
        .then(inclusion.min_runs - pl.col("n_runs"))
        .when(is_open & needed.is_finite())
        .then(needed - pl.col("n_runs"))
    )
    return (
        drifts.join(levels, on=["athlete_id", "metric"], how="left")
        .with_columns(
            level_at_usual_distance=pl.when(is_placed).then(pl.col("start_level") * (1 + beyond)),
            n_more_runs=more.cast(pl.Int64),
        )
        .with_columns(n_more_runs=pl.when(pl.col("n_more_runs") > 0).then("n_more_runs"))
        .select(list(types_of("usual")))
        .sort("athlete_id", "metric")
    )


def run_against_usual(run_drifts: pl.DataFrame, drifts: pl.DataFrame) -> pl.DataFrame:
    """Compare the drift of each run with what the athlete's other runs lead one to expect.

    Args:
        run_drifts: rows of `run_drift`; those without an error of their own do not enter.
        drifts: rows of `athlete_drift` with their findings.

    Returns:
        Rows of `run_against_usual`; without an expected interval where there are fewer than four other runs.
    """
    key = ["athlete_id", "metric"]
    entering = (
        run_drifts.filter(pl.col("within_run_se_pct_per_10km") > 0)
        .join(drifts.select(*key, "smallest_change_pct"), on=key)
        .sort(*key, "run_id")
    )
    if entering.is_empty():
        return pl.DataFrame(schema=types_of("run_against_usual"))
    estimates, errors = (entering[name].to_numpy() for name in (_LINE[0], "within_run_se_pct_per_10km"))
    begins = np.flatnonzero(entering.select(pl.struct(key).rle_id().diff().fill_null(1) != 0).to_series().to_numpy())
    parts = [
        _expected(estimates[begin:end], errors[begin:end])
        for begin, end in zip(begins, np.append(begins[1:], len(estimates)), strict=True)
    ]
    expected, margin = (np.concatenate(column) for column in zip(*parts, strict=True))
    room = ROOM * entering["smallest_change_pct"].to_numpy()
    return (
        entering.with_columns(
            n_other_runs=pl.len().over(key).cast(pl.Int64) - 1,
            usual_pct_per_10km=pl.Series(expected, nan_to_null=True),
            usual_low=pl.Series(expected - margin, nan_to_null=True),
            usual_high=pl.Series(expected + margin, nan_to_null=True),
            comparison=pl.Series(_comparisons(estimates, expected, margin, room), dtype=pl.String),
        )
        .select(list(types_of("run_against_usual")))
        .sort("run_id", "metric")
    )


def _course(
    used: pl.DataFrame, run_drifts: pl.DataFrame, drifts: pl.DataFrame, metric: str, inclusion: Inclusion
) -> pl.DataFrame:
    """The rows of one metric."""
    of_metric = pl.col("metric") == metric
    own = drifts.filter(of_metric, pl.col("drift_pct_per_10km").is_not_null())
    runs = run_drifts.filter(of_metric).select("run_id", run_level="fresh_level")
    known = effect(metric, registry=inclusion.registry) + warm_up_effect(
        pl.col("response_to_warm_up"), inclusion.split_length_m
    )
    is_measured, shift = inclusion.measured(metric), _shift()
    # All columns of splits would be copied with every step.
    reads = {"athlete_id", "run_id", "km", "distance_km", metric}
    reads |= {name for values in (known, is_measured, shift) for name in values.meta.root_names()}
    rows = (
        used.select(name for name in used.columns if name in reads)
        .filter(is_measured, pl.col(metric) > 0)  # without flight there is no logarithm, nor a row in the drift
        .join(own.select("athlete_id", "metric", "fresh_level", "onset_km", *_LINE, *RESPONSES), on="athlete_id")
        .join(runs, on="run_id")
        .filter(pl.col("run_level") > 0)
        .with_columns(line=_log_line(pl.col("distance_km")), adjusted=pl.col(metric).log() - known)
        .with_columns(relative=pl.col("adjusted") - pl.col("run_level").log())
        .with_columns(shift=shift.over("run_id"))
    )
    athlete_shift = pl.col("shift").filter(pl.col("run_id").is_first_distinct()).mean().over("athlete_id")
    rows = rows.with_columns(start=pl.col("fresh_level").log() + athlete_shift).with_columns(
        relative=pl.col("relative") - pl.col("shift"), level=pl.col("adjusted") - pl.col("start")
    )
    by_km = rows.group_by("athlete_id", "metric", "km").agg(
        pl.col("distance_km").first(), pl.col("line").first(), pl.col("start").first(),
        n_runs=pl.len(), mean=pl.col("relative").mean(), error=pl.col("relative").std() / pl.len().sqrt(),
        variance=pl.col("level").var(),
    ).sort("athlete_id", "km")  # fmt: skip
    # How runs scatter is pooled over the kilometres, which few runs at the far end could not say alone.
    spare, most = pl.col("n_runs") - 1, pl.col("n_runs").max().over("athlete_id")
    pooled = (pl.col("variance").fill_null(0.0) * spare).sum().over("athlete_id") / spare.sum().over("athlete_id")
    t_mean, t_run = (_quantiles(by_km.select(n).to_series()) for n in (pl.col("n_runs"), most))
    return by_km.with_columns(
        **_interval("change", pl.col("mean"), t_mean * pl.col("error")),
        **_interval("run", pl.col("line"), t_run * (pooled * (1 + 1 / most)).sqrt()),
        start_level=pl.col("start").exp(),
        level=(pl.col("start") + pl.col("mean")).exp(),
        line_pct=100 * (pl.col("line").exp() - 1),
        n_runs=pl.col("n_runs").cast(pl.Int64),
    )  # fmt: skip


def _interval(name: str, middle: pl.Expr, margin: pl.Expr) -> dict[str, pl.Expr]:
    """Percentages from logarithms: a value, and the ends of its interval where it has one."""
    return {
        f"{name}_{end}": 100 * (value.exp() - 1)
        for end, value in (("pct", middle), ("low", middle - margin), ("high", middle + margin))
    }


def _log_line(distance_km: pl.Expr) -> pl.Expr:
    """Logarithm of the change from the start along the line of `athlete_drift`: broken where a break stands out."""
    straight, before, after = ((1 + pl.col(name) / 100).log() * _PER_KM for name in _LINE)
    beyond = (distance_km - pl.col("onset_km")).clip(lower_bound=0)
    broken = before * (distance_km - beyond) + after * beyond
    return pl.when(pl.col("onset_km").is_null()).then(straight * distance_km).otherwise(broken)


def _shift() -> pl.Expr:
    """Logarithm of a run's level when fresh by the line of the athlete over that by the straight line."""
    straight = (1 + pl.col(_LINE[0]) / 100).log() * _PER_KM * pl.col("distance_km")
    weight = pl.col("running_s")
    return ((straight - pl.col("line")) * weight).sum() / weight.sum()


def _quantiles(n_runs: pl.Series) -> pl.Series:
    """Student's t for a mean over so many runs; null for too few."""
    n, places = np.unique(n_runs.to_numpy(), return_inverse=True)  # few numbers in many rows
    t = np.where(n >= FEWEST_RUNS_OF_INTERVAL, special.stdtrit(np.maximum(n - 1.0, 1), 0.975), np.nan)
    return pl.Series(t[places], nan_to_null=True)


def _expected(estimates: Array, errors: Array) -> tuple[Array, Array]:
    """For each run what the others lead one to expect, and the margin about it; NaN where they are too few.

    The estimator of `pipeline.methods.meta_regression` with a constant alone, for all runs at once.
    """
    n = len(estimates)
    if n - 1 < FEWEST_OTHER_RUNS:
        return np.full(n, np.nan), np.full(n, np.nan)
    others, df = ~np.eye(n, dtype=bool), n - 2
    weight = others / errors**2
    total = weight.sum(axis=1)
    between = (_disagreement(weight, estimates) - df) / (total - (weight**2).sum(axis=1) / total)
    between = np.maximum(between, 0.0)
    weight = others / (errors**2 + between[:, None])
    total = weight.sum(axis=1)
    scale = np.maximum(_disagreement(weight, estimates) / df, 1.0)
    margin = special.stdtrit(df, 0.975) * np.sqrt(between + errors**2 + scale / total)
    return (weight @ estimates) / total, margin


def _disagreement(weight: Array, estimates: Array) -> Array:
    """Weighted sum of squares about the mean that each row of weights gives."""
    means = (weight @ estimates) / weight.sum(axis=1)
    return np.asarray((weight * (estimates - means[:, None]) ** 2).sum(axis=1))


def _comparisons(estimates: Array, expected: Array, margin: Array, room: Array) -> list[str]:
    """The comparison of each run, as `COMPARISONS` names them."""
    # What is steady becomes more by any change; what changes, by a change further the same way.
    is_steady = np.abs(expected) < room / ROOM
    away = np.where(is_steady, np.abs(estimates) - np.abs(expected), np.sign(expected) * (estimates - expected))
    is_outside = np.abs(estimates - expected) > margin
    is_open = np.isnan(expected) | ~is_outside & (margin > room)
    words = np.where(is_open, "cannot_tell", np.where(~is_outside, "as_usual", np.where(away > 0, "more", "less")))
    return [str(word) for word in words]

"""Values of a study: logarithms of splits, adjusted or not, and their means over stretches of a run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.core.inclusion import Inclusion
from pipeline.methods.adjustment import RESPONSES, effect, shared_effect
from pipeline.study.study_file import QUARTERS, Analysis


def values(
    splits: pl.DataFrame, drifts: pl.DataFrame, metric: str, *, adjust: Sequence[str], inclusion: Inclusion
) -> pl.DataFrame:
    """Logarithms of a metric in the included splits, adjusted for causes.

    Splits are adjusted by the responses that `athlete_drift` publishes for the athlete. Where adjustment is asked for,
    athletes without responses are left out. Every split counts the same: with the time that it took, which would have
    to be released, a run could be found in a list of results.

    Args:
        adjust: `speed`, `slope`, both or neither.

    Returns:
        `athlete_id`, `run_id`, `distance_km` (the middle of the split), `to_km` (its end), `weight` (1), `log` of the
        metric in its unit, `shared`: what a standard error of the response to speed, so far as athletes have it in
        common, adds to `log`.
    """
    responses = drifts.filter(pl.col("metric") == metric).select(
        "athlete_id", "fresh_level", "response_to_speed_shared_se", *RESPONSES
    )
    used = (
        inclusion.with_known_slope(splits)
        .filter(pl.col(metric) > 0)
        .join(responses, on="athlete_id", how="left", maintain_order="left")
    )
    if adjust:
        used = used.filter(pl.col("fresh_level").is_not_null())
    return used.select(
        "athlete_id",
        "run_id",
        distance_km=(pl.col("km") - 0.5) * inclusion.split_length_m / 1000,
        to_km=pl.col("km") * inclusion.split_length_m / 1000,
        weight=pl.lit(1.0),
        log=pl.col(metric).log() - effect(metric, adjust),
        shared=-shared_effect(metric) if "speed" in adjust else 0.0,
    )


def early_and_late(rows: pl.DataFrame, analysis: Analysis, *, split_km: float) -> pl.DataFrame:
    """The mean of each run over the early and the late stretch of an analysis.

    Args:
        rows: what `values` gave.
        analysis: with `early_km` and `late_km`, or by quarters of each run.
        split_km: length of a split [km]; a split belongs to a stretch if it lies wholly within it.

    Returns:
        `athlete_id`, `run_id`, `early`, `late`: logarithms; `shared`, what moves late minus early. Runs without
        a split in one of them are absent.
    """
    begin, end = pl.col("to_km") - split_km, pl.col("to_km")
    if analysis.windows == QUARTERS:
        first, last = begin.min().over("run_id"), end.max().over("run_id")
        early, late = end <= first + (last - first) / 4 + 1e-9, begin >= last - (last - first) / 4 - 1e-9
    else:
        assert analysis.early_km is not None and analysis.late_km is not None  # noqa: PT018
        early, late = (
            (begin >= stretch[0] - 1e-9) & (end <= stretch[1] + 1e-9)
            for stretch in (analysis.early_km, analysis.late_km)
        )

    def mean(inside: pl.Expr, of: str = "log") -> pl.Expr:
        return ((pl.col(of) * pl.col("weight")).filter(inside).sum() / pl.col("weight").filter(inside).sum()).fill_nan(
            None
        )

    # Membership is computed before grouping: quarters need all splits of a run.
    marked = rows.with_columns(early_=early, late_=late)
    early, late = pl.col("early_"), pl.col("late_")
    shared = mean(late, "shared") - mean(early, "shared")
    means = marked.group_by("athlete_id", "run_id").agg(early=mean(early), late=mean(late), shared=shared)
    return means.drop_nulls(["early", "late"]).sort("athlete_id", "run_id")


def by_unit(pairs: pl.DataFrame, unit: str) -> pl.DataFrame:
    """One row per unit of the analysis: per athlete, with runs averaged, or per run."""
    if unit == "run":
        return pairs
    means = pairs.group_by("athlete_id").agg(pl.col("early", "late", "shared").mean(), n_runs=pl.len())
    return means.sort("athlete_id")


def percent(log_change: float | None) -> float | None:
    """A change of a logarithm as percent."""
    return None if log_change is None else 100 * float(np.expm1(log_change))


def in_percent(log_change: float, low: float | None, high: float | None) -> dict[str, float | None]:
    """An estimate and its interval, changes of a logarithm, as percent."""
    return {"estimate": percent(log_change), "low": percent(low), "high": percent(high)}

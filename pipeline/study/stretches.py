"""Values of a study: logarithms of splits, adjusted or not, and their means over stretches or sections of a run."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.methods.adjustment import RESPONSES, effect, regressors, response_errors, shared_effect
from pipeline.stages.corrections import TAG_SEPARATOR
from pipeline.study.outcomes import OUTCOMES, value_of
from pipeline.study.study_file import QUARTERS, Analysis

#: Rounding of kilometres that are sums and products of floats.
TINY_KM = 1e-9


def values(
    splits: pl.DataFrame, drifts: pl.DataFrame, metric: str, *, adjust: Sequence[str], inclusion: Inclusion
) -> pl.DataFrame:
    """Logarithms of a metric or an outcome in the included splits, adjusted for causes.

    Splits are adjusted by the responses that `athlete_drift` publishes for the athlete. Where adjustment is asked for,
    athletes without responses are left out. Every split counts the same: with the time that it took, which would have
    to be released, a run could be found in a list of results.

    Args:
        adjust: `speed`, `slope`, both or neither; neither for outcomes.

    Returns:
        `athlete_id`, `run_id`, `distance_km` (the middle of the split), `to_km` (its end), `moved_min` (moving time
        from the start of the run to the middle of the split), `share` (of the run's distance, there), `speed_m_s`,
        `weight` (1), `log` of the metric in its unit, `shared`: what a standard error of the response
        to speed, so far as athletes have it in common, adds to `log`; and, by the names of the responses, what each
        that was taken out was multiplied with.
    """
    responses = drifts.filter(pl.col("metric") == metric).select(
        "athlete_id", "fresh_level", "response_to_speed_shared_se", *RESPONSES
    )
    begins, length = pl.col("length_m").cum_sum().over("run_id") - pl.col("length_m"), pl.col("length_m")
    placed = splits.sort("run_id", "km").with_columns(
        moved_min=(pl.col("moving_s").cum_sum().over("run_id") - pl.col("moving_s") / 2) / 60,
        share=(begins + length / 2) / length.sum().over("run_id"),
        value=value_of(metric),
    )
    used = (
        inclusion.with_known_slope(placed)
        .filter(pl.col("value") > 0, pl.col("value").is_finite())
        .join(responses, on="athlete_id", how="left", maintain_order="left")
    )
    if adjust:
        used = used.filter(pl.col("fresh_level").is_not_null())
    is_metric = metric not in OUTCOMES
    taken_out = regressors(metric, adjust, registry=inclusion.registry) if is_metric else {}
    return used.select(
        "athlete_id",
        "run_id",
        distance_km=(pl.col("km") - 0.5) * inclusion.split_length_m / 1000,
        to_km=pl.col("km") * inclusion.split_length_m / 1000,
        moved_min="moved_min",
        share="share",
        speed_m_s="speed_m_s",
        weight=pl.lit(1.0),
        log=pl.col("value").log() - (effect(metric, adjust, registry=inclusion.registry) if is_metric else 0.0),
        shared=-shared_effect(metric, registry=inclusion.registry) if "speed" in adjust else 0.0,
        **{name: value.fill_null(0.0) for name, value in taken_out.items()},
    )


def early_and_late(rows: pl.DataFrame, analysis: Analysis, *, split_km: float) -> pl.DataFrame:
    """The mean of each run over the early and the late stretch of an analysis; by tags, of each athlete's runs.

    Args:
        rows: what `values` gave, by tags with `tags` of the run.
        analysis: with `early_km` and `late_km`, the same by minutes or tags, or by quarters of each run.
        split_km: length of a split [km]; a split belongs to a stretch in km if it lies wholly within it, to one in
            minutes if its middle does.

    Returns:
        `athlete_id`, `run_id` (null by tags), `n_runs`, `early`, `late`: logarithms; `shared`, what moves late minus
        early; by the names of the responses, how far late is from early in what they were multiplied with. Runs
        without a split in one of them are absent.
    """
    begin, end = pl.col("to_km") - split_km, pl.col("to_km")
    if analysis.windows == QUARTERS:
        first, last = begin.min().over("run_id"), end.max().over("run_id")
        early = end <= first + (last - first) / 4 + TINY_KM
        late = begin >= last - (last - first) / 4 - TINY_KM
    elif analysis.early_tags:
        early, late = has_tags(analysis.early_tags), has_tags(analysis.late_tags)
    elif analysis.early_min is not None and analysis.late_min is not None:
        early, late = (
            pl.col("moved_min").is_between(*stretch, closed="left")
            for stretch in (analysis.early_min, analysis.late_min)
        )
    else:
        assert analysis.early_km is not None and analysis.late_km is not None  # noqa: PT018
        early, late = (
            (begin >= stretch[0] - TINY_KM) & (end <= stretch[1] + TINY_KM)
            for stretch in (analysis.early_km, analysis.late_km)
        )
    # Membership is computed before grouping: quarters need all splits of a run.
    marked = rows.with_columns(early_=early, late_=late)
    early, late = pl.col("early_"), pl.col("late_")
    if analysis.early_tags:
        # Runs count alike, as they do where early and late are of the same run.
        marked = marked.with_columns(weight=pl.col("weight") / pl.col("weight").sum().over("run_id"))
    apart = {name: _mean(name, late) - _mean(name, early) for name in ("shared", *_taken_out(rows))}
    means = marked.group_by("athlete_id", *([] if analysis.early_tags else ["run_id"])).agg(
        early=_mean("log", early),
        late=_mean("log", late),
        **apart,
        n_runs=pl.col("run_id").filter(early | late).n_unique(),
    )
    if analysis.early_tags:
        means = means.with_columns(run_id=pl.lit(None, dtype=pl.String))
    return means.drop_nulls(["early", "late"]).sort("athlete_id", "run_id")


def in_sections(rows: pl.DataFrame, analysis: Analysis, *, split_km: float) -> tuple[pl.DataFrame, list[str]]:
    """The mean of each athlete over each section, runs counting alike.

    A split belongs to the section in which its middle lies. Equal sections divide a run from its first included split
    to its last. Athletes and runs without a split in one of the sections are left out.

    Args:
        rows: what `values` gave.
        analysis: with `sections`, `sections_km` or `sections_min`.

    Returns:
        `athlete_id`, `section` (from 0), `log`, `shared`, `n_runs`; and the names of the sections.
    """
    if analysis.sections is not None:
        first, last = pl.col("distance_km").min().over("run_id"), pl.col("distance_km").max().over("run_id")
        place = (pl.col("distance_km") - first + split_km / 2) / (last - first + split_km) * analysis.sections
        section = (place + TINY_KM).floor().clip(0, analysis.sections - 1)
        names = [f"section {number} of {analysis.sections}" for number in range(1, analysis.sections + 1)]
    else:
        bounds, unit = (analysis.sections_km, "km") if analysis.sections_km else (analysis.sections_min, "min")
        column = pl.col("distance_km" if unit == "km" else "moved_min")
        section = pl.sum_horizontal((column + TINY_KM >= bound).cast(pl.Int64) for bound in bounds) - 1
        section = pl.when(section.is_between(0, len(bounds) - 2)).then(section)
        names = [f"{unit} {low:g} to {high:g}" for low, high in itertools.pairwise(bounds)]
    means = (
        rows.with_columns(section=section.cast(pl.Int64))
        .drop_nulls("section")
        .group_by("athlete_id", "run_id", "section")
        .agg(_mean("log"), _mean("shared"))
        .filter(pl.len().over("run_id") == len(names))
    )
    return (
        means.group_by("athlete_id", "section")
        .agg(pl.col("log", "shared").mean(), n_runs=pl.len())
        .sort("athlete_id", "section"),
        names,
    )


def has_tags(tags: Sequence[str]) -> pl.Expr:
    """Whether a run has all of these tags."""
    of_run = pl.col("tags").fill_null("").str.split(TAG_SEPARATOR)
    return pl.all_horizontal(pl.lit(value=True), *(of_run.list.contains(tag) for tag in tags))


def _mean(of: str, inside: pl.Expr | None = None) -> pl.Expr:
    """The weighted mean over the splits inside; null where none is."""
    value, weight = pl.col(of) * pl.col("weight"), pl.col("weight")
    if inside is not None:
        value, weight = value.filter(inside), weight.filter(inside)
    return (value.sum() / weight.sum()).fill_nan(None).alias(of)


def shared_as_released(shared: npt.ArrayLike) -> Array:
    """What athletes' values share, to 0.1 %: exactly it would tell how each athlete's speed changed."""
    return np.asarray(np.round(np.asarray(shared, dtype=np.float64), 3), dtype=np.float64)


def response_se(drifts: pl.DataFrame, metric: str, units: pl.DataFrame) -> Array:
    """Whole standard error of the changes of athletes by their responses, as it is released: to 0.1 %, as `shared`.

    Args:
        drifts: rows of `athlete_drift`.
        metric: its column.
        units: what `by_unit` gave, or `early_and_late` by tags.
    """
    of_metric = drifts.filter(pl.col("metric") == metric)
    covariances = units.join(
        of_metric.select("athlete_id", "responses_covariance"), on="athlete_id", how="left", maintain_order="left"
    )["responses_covariance"]
    return shared_as_released(response_errors(units.select(_taken_out(units)), covariances.to_list()))


def _taken_out(rows: pl.DataFrame) -> list[str]:
    return [name for name in RESPONSES if name in rows.columns]


def by_unit(pairs: pl.DataFrame, unit: str) -> pl.DataFrame:
    """One row per unit of the analysis: per athlete, with runs averaged, or per run."""
    if unit == "run":
        return pairs
    averaged = ("early", "late", "shared", *_taken_out(pairs))
    means = pairs.group_by("athlete_id").agg(pl.col(averaged).mean(), pl.col("n_runs").sum())
    return means.sort("athlete_id")


def percent(log_change: float | None) -> float | None:
    """A change of a logarithm as percent."""
    return None if log_change is None else 100 * float(np.expm1(log_change))


def in_percent(*log_changes: float | None) -> tuple[float | None, ...]:
    """An estimate and its interval, changes of a logarithm, as percent."""
    return tuple(percent(log_change) for log_change in log_changes)

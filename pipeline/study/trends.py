"""Analyses along the distance: a line by a mixed model, and from which distance the cohort changes."""

from __future__ import annotations

from functools import partial

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.errors import NothingDone
from pipeline.core.metrics import LABELS
from pipeline.methods.design import TEN_KM
from pipeline.methods.mixed_model import Design, fit
from pipeline.methods.mixed_trend import MixedTrend, mixed_trend
from pipeline.methods.onset import FEWEST_RUNS, onset
from pipeline.stages.drift import ONSET_LEVEL
from pipeline.study.material import Material
from pipeline.study.results import MOST_POINTS, Figure, Found, Outcome, found_in
from pipeline.study.stretches import percent
from pipeline.study.study_file import Analysis


def trend(material: Material, analysis: Analysis) -> Outcome:
    """The slope over distance, with intercept and slope of each athlete drawn from the cohort's."""
    found: list[Found] = []
    figures: list[Figure] = []
    for metric in analysis.metrics:
        rows = _centred(material.values(analysis, metric))
        _require_athletes(rows, analysis, metric, 3)
        fitted = mixed_trend(
            rows["log"].to_numpy(), rows["distance_km"].to_numpy() * 1000 / TEN_KM, rows["athlete_id"].to_numpy()
        )
        found += _trend_rows(analysis, metric, fitted, rows)
        figures += _diagnostics(analysis, metric, fitted)
    return Outcome(found, figures)


def onsets(material: Material, analysis: Analysis) -> Outcome:
    """From which distance the cohort changes: a hinge in the athletes' mean lines, whole athletes being what varies."""
    found = []
    for metric in analysis.metrics:
        rows = _centred(material.values(analysis, metric))
        _require_athletes(rows, analysis, metric, FEWEST_RUNS)
        told = onset(fit(_athletes_as_runs(rows), (), None), seed=material.seed)
        given = told if told is not None and told.is_given(ONSET_LEVEL) else None
        found.append(
            found_in(analysis, metric, rows)(
                statistic="onset_km",
                estimate=10 * given.distance if given else None,
                low=10 * given.low if given else None,
                high=10 * given.high if given else None,
                p_value=told.p_value if told is not None else None,
                is_primary=True,
                method="best hinge in the athletes' mean lines, against random signs of whole athletes; interval by "
                "drawing athletes anew",
                note="" if given else "no distance stands out: a straight line does as well",
            )
        )
    return Outcome(found)


def _require_athletes(rows: pl.DataFrame, analysis: Analysis, metric: str, least: int) -> None:
    n_athletes = rows["athlete_id"].n_unique()
    if n_athletes < least:
        raise NothingDone(
            f"{analysis.name}: {n_athletes} athletes have {LABELS[metric]} in {rows['run_id'].n_unique()} runs of the "
            f"cohort; {'an' if analysis.design == 'onset' else 'a'} {analysis.design} asks for at least {least}."
        )


def _centred(rows: pl.DataFrame) -> pl.DataFrame:
    """Each run's own level taken out, the athlete's put back: a fast day or a hot one is no trend.

    A run's level is taken along the athlete's own slope inside runs, so that short runs and long ones do not differ by
    what the distance itself does.
    """
    weight = pl.col("weight")

    def mean(value: pl.Expr, of: str) -> pl.Expr:
        return (value * weight).sum().over(of) / weight.sum().over(of)

    log, distance = pl.col("log"), pl.col("distance_km")
    rest, apart = log - mean(log, "run_id"), distance - mean(distance, "run_id")
    product, square = ((weight * apart * one).sum().over("athlete_id") for one in (rest, apart))
    level = log - pl.when(square > 0).then(product / square).otherwise(0.0) * distance
    return rows.with_columns(level=level).with_columns(
        log=log - mean(pl.col("level"), "run_id") + mean(pl.col("level"), "athlete_id")
    )


def _athletes_as_runs(rows: pl.DataFrame) -> Design:
    """A design whose runs are the athletes' means by split."""
    means = (
        rows.group_by("athlete_id", "distance_km")
        .agg(pl.col("log").mean(), pl.col("weight").sum())
        .sort("athlete_id", "distance_km")
    )
    run = means["athlete_id"].rle_id().to_numpy().astype(np.int64)
    begins = np.flatnonzero(np.diff(run, prepend=-1))
    distance = means["distance_km"].to_numpy()
    nothing = np.zeros(len(run))
    columns = [means["log"].to_numpy(), distance * 1000 / TEN_KM, nothing, nothing, nothing, nothing]
    gap_km = np.diff(distance, prepend=np.nan)
    gap_km[begins] = np.nan
    weight = means["weight"].to_numpy()
    names = means["athlete_id"].gather(begins).to_list()
    return Design(np.column_stack(columns), run, names, gap_km, weight / np.median(weight))


def _trend_rows(analysis: Analysis, metric: str, fitted: MixedTrend, rows: pl.DataFrame) -> list[Found]:
    about = partial(
        found_in(analysis, metric, rows),
        method="linear mixed model of the logarithm (REML), intercept and slope by athlete; each run's own level taken "
        "out",
    )
    return [
        about(
            statistic="slope_pct_per_10km",
            estimate=percent(fitted.slope),
            low=percent(fitted.low),
            high=percent(fitted.high),
            p_value=fitted.p_value,
            is_primary=True,
            note=fitted.note,
        ),
        about(statistic="sd_of_athletes_slopes_pct", estimate=percent(fitted.sd_slope), level=None),
        about(statistic="sd_of_splits_pct", estimate=percent(fitted.sd_residual), level=None),
    ]


def _diagnostics(analysis: Analysis, metric: str, fitted: MixedTrend) -> list[Figure]:
    """Residuals against fitted values, and against the normal distribution."""
    residuals, values = np.asarray(fitted.residuals), np.asarray(fitted.fitted)
    some = np.linspace(0, len(residuals) - 1, min(len(residuals), MOST_POINTS)).astype(int)
    ordered = np.sort(residuals)
    expected = special.ndtri((np.arange(len(ordered)) + 0.5) / len(ordered)) * residuals.std()
    name = f"{LABELS[metric].capitalize()}: {analysis.name}"
    return [
        Figure(
            f"{name}, residuals",
            "Residuals against fitted values: a bend or a funnel would show what the model misses.",
            "points", {"points": [{"x": float(np.exp(values[k])), "y": 100 * float(residuals[k])} for k in some]},
            {"x": "fitted", "y": "residual, %"}, analysis.name, metric,
        ),
        Figure(
            f"{name}, normal plot",
            "Residuals against what a normal distribution would give: on a straight line, but for the ends.",
            "points", {"points": [{"x": 100 * float(expected[k]), "y": 100 * float(ordered[k])} for k in some]},
            {"x": "expected, %", "y": "residual, %"}, analysis.name, metric,
        ),
    ]  # fmt: skip

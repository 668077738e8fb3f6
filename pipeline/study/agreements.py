"""Analyses of the measurement: agreement of two sensors, and reliability of an athlete's runs."""

from __future__ import annotations

from functools import partial

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.errors import NothingDone
from pipeline.methods.agreement import agreement
from pipeline.methods.reliability import reliability
from pipeline.study.material import Material
from pipeline.study.results import MOST_POINTS, AnalysisResult, Figure, Statistic, figure_of, statistics_of
from pipeline.study.study_file import Analysis

#: With fewer, the variance between athletes cannot be estimated. Common practice, no source.
FEWEST_ATHLETES = 3


def agreements(material: Material, analysis: Analysis) -> AnalysisResult:
    """Splits of this store minus those of the other store of the same runs, in percent of their mean.

    Splits are nested in runs and runs in athletes; athletes are the units. A run with the same value in every split
    was recorded by one sensor only, which both stores used; it is left out.

    Raises:
        NothingDone: there is no other store, or no split that both have from different sensors.
    """
    shared = material.sensor_pairs(analysis)
    both = of_different_sensors(shared)
    n_runs = shared["run_id"].n_unique()
    n_same = n_runs - both["run_id"].n_unique()
    if both.height < 2:
        raise NothingDone(
            f"{analysis.name}: {both.height} splits have {analysis.label} from different sensors in both stores; at "
            f"least 2 are needed. {n_runs} runs have it in both, of which {n_same} read the same in every split."
        )
    here, there = (100 * np.log(both[name].to_numpy()) for name in ("here", "there"))
    # Of one athlete alone only the runs can be the units.
    by_athlete = both["athlete_id"].n_unique() > 1
    runs = both["run_id"].to_list()
    subject, group = (both["athlete_id"].to_list(), runs) if by_athlete else (runs, None)
    result = agreement(here, there, subject=subject, group=group)
    units = "athletes" if by_athlete else "runs"
    notes = [
        *([] if by_athlete else ["one athlete: intervals do not hold for others"]),
        *([f"{n_same} runs that read the same in both stores, from one sensor, left out"] if n_same else []),
    ]
    about = partial(
        statistics_of(analysis, both),
        method=f"{result.method}; {units} are the units of the intervals; of logarithms, as percent",
        note="; ".join(notes),
        way="several_pairs" if result.n_pairs > result.n_subjects else "one_pair",
    )
    limits = {"bias_pct": result.bias, "lower_limit_pct": result.lower, "upper_limit_pct": result.upper}
    statistics = [about(statistic, limit.value, limit.low, limit.high) for statistic, limit in limits.items()]
    return AnalysisResult(statistics, [_agreement_figure(analysis, both, here - there)])


def reliabilities(material: Material, analysis: Analysis) -> AnalysisResult:
    """Reliability of an athlete's runs: of the fresh level, and of the drift along a run."""
    rows = material.levels(analysis)
    several = rows.filter(pl.len().over("athlete_id") >= 2)
    if several["athlete_id"].n_unique() < FEWEST_ATHLETES:
        raise NothingDone(
            f"{analysis.name}: {several['athlete_id'].n_unique()} athletes have two runs or more with a drift of "
            f"{analysis.label} in the cohort; at least {FEWEST_ATHLETES} are needed."
        )
    grown = 1 + rows["drift_pct"].to_numpy() / 100
    # Standard errors are of the percentage; divided by 1 + drift they are of its logarithm.
    shared_se = rows["shared_se_pct"].to_numpy() / grown
    net = ", net of the error that the estimated responses give to all runs of an athlete"
    return AnalysisResult([
        *_rows(analysis, rows, "level", rows["level"].to_numpy(), of="the fresh level of runs [%]"),
        *_rows(analysis, rows, "slope", grown, shared_se, of=f"the drift of runs [% per 10 km]{net}"),
    ])  # fmt: skip


def _rows(
    analysis: Analysis, rows: pl.DataFrame, name: str, values: Array, shared_se: Array | None = None, *, of: str
) -> list[Statistic]:
    result = reliability(rows["athlete_id"].to_list(), 100 * np.log(values), shared_se=shared_se)
    method = f"one-way random effects over athletes, of {of}"
    about = partial(statistics_of(analysis, rows), method=method)
    return [
        about(f"{name}_icc", result.icc, result.icc_low, result.icc_high),
        about(
            f"{name}_typical_error_pct", result.typical_error, result.typical_error_low, result.typical_error_high
        ),
        about(
            f"{name}_smallest_detectable_change_pct", result.smallest_detectable,
            level=None, method=f"{method}: 1.96 root 2 typical errors",
        ),
    ]  # fmt: skip


def of_different_sensors(both: pl.DataFrame) -> pl.DataFrame:
    """Pairs of splits of the runs that do not read the same in every split."""
    return both.filter((pl.col("here") != pl.col("there")).any().over("run_id"))


def _agreement_figure(analysis: Analysis, both: pl.DataFrame, ratio: Array) -> Figure:
    mean = np.sqrt(both["here"].to_numpy() * both["there"].to_numpy())
    shown = np.linspace(0, len(ratio) - 1, min(len(ratio), MOST_POINTS)).astype(int)
    points = [{"x": float(mean[k]), "y": float(ratio[k])} for k in shown]
    words = "Difference of the two sensors against their mean, one point per split."
    return figure_of(analysis, words, "points", {"points": points}, x=analysis.label, y="difference, %")

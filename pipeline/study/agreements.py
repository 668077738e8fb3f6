"""Analyses of measuring itself: two sensors side by side, and how alike an athlete's runs are."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.core.metrics import LABELS
from pipeline.methods.agreement import agreement
from pipeline.methods.reliability import Reliability, reliability
from pipeline.study.material import Material
from pipeline.study.results import MOST_POINTS, Figure, Found, Outcome, found_in
from pipeline.study.study_file import Analysis

#: Fewer athletes do not tell how athletes differ.
FEWEST_ATHLETES = 3


def agreements(material: Material, analysis: Analysis) -> Outcome:
    """This store's splits less the other store's of the same runs, in percent of their mean.

    A run that reads the same in every split had one sensor alone, which both stores took: it says nothing of how two
    agree, and does not enter.

    Raises:
        NothingDone: there is no other store, or no split that both have from different sensors.
    """
    if material.other_splits is None:
        raise NothingDone(
            f"{analysis.name}: agreement takes a second store of the same runs, made with the other sensor "
            "(sensor_preference): --against STORE."
        )
    found: list[Found] = []
    figures: list[Figure] = []
    for metric in analysis.metrics:
        shared = _both(material.splits, material.other_splits, metric)
        both = shared.filter((pl.col("here") != pl.col("there")).any().over("run_id"))
        n_same = shared["run_id"].n_unique() - both["run_id"].n_unique()
        if both.height < 2:
            n_runs = shared["run_id"].n_unique()
            raise NothingDone(
                f"{analysis.name}: {both.height} splits have {LABELS[metric]} from different sensors in both stores; "
                f"at least 2 are needed. {n_runs} runs have it in both, of which {n_same} read the same in every "
                "split."
            )
        here, there = (100 * np.log(both[name].to_numpy()) for name in ("here", "there"))
        told = agreement(here, there, subject=both["run_id"].to_list())
        about = found_in(analysis, metric, both)
        method = f"{told.method}; several splits a run; of logarithms, as percent"
        note = f"{n_same} runs that read the same in both stores, from one sensor, left out" if n_same else ""
        found += [
            about(statistic=statistic, estimate=one.value, low=one.low, high=one.high, method=method, note=note)
            for statistic, one in (
                ("bias_pct", told.bias),
                ("lower_limit_pct", told.lower),
                ("upper_limit_pct", told.upper),
            )
        ]
        figures.append(_agreement_figure(analysis, metric, both, here - there))
    return Outcome(found, figures)


def reliabilities(material: Material, analysis: Analysis) -> Outcome:
    """How alike an athlete's runs are: in the fresh level, and in the drift along a run."""
    found: list[Found] = []
    for metric in analysis.metrics:
        own = material.run_drifts.filter(pl.col("metric") == metric).sort("run_id")
        several = own.filter(pl.len().over("athlete_id") >= 2)
        if several["athlete_id"].n_unique() < FEWEST_ATHLETES:
            raise NothingDone(
                f"{analysis.name}: {several['athlete_id'].n_unique()} athletes have two runs or more with a drift of "
                f"{LABELS[metric]} in the cohort; at least {FEWEST_ATHLETES} are needed."
            )
        athlete = own["athlete_id"].to_list()
        levels = reliability(athlete, 100 * np.log(own["fresh_level"].to_numpy()))
        slopes = reliability(athlete, 100 * np.log1p(own["drift_pct_per_10km"].to_numpy() / 100))
        found += _rows(analysis, metric, own, levels, "level")
        found += _rows(analysis, metric, own, slopes, "slope")
    return Outcome(found)


def _rows(analysis: Analysis, metric: str, own: pl.DataFrame, told: Reliability, of: str) -> list[Found]:
    about = found_in(analysis, metric, own)
    quantity = "the fresh level of runs [%]" if of == "level" else "the drift of runs [% per 10 km]"
    method = f"one-way random effects over athletes, of {quantity}"
    return [
        about(statistic=f"{of}_icc", estimate=told.icc, low=told.icc_low, high=told.icc_high, method=method),
        about(statistic=f"{of}_typical_error_pct", estimate=told.typical_error, low=told.typical_error_low,
            high=told.typical_error_high, method=method,
        ),
        about(statistic=f"{of}_smallest_detectable_change_pct", estimate=told.smallest_detectable,
            level=None, method=f"{method}: 1.96 root 2 typical errors",
        ),
    ]  # fmt: skip


def _both(here: pl.DataFrame, there: pl.DataFrame, metric: str) -> pl.DataFrame:
    """The splits that both stores have, by run and place."""
    other = there.filter(pl.col(metric) > 0).select("run_id", "km", there=metric)
    own = here.filter(pl.col(metric) > 0).select("athlete_id", "run_id", "km", here=metric)
    return own.join(other, on=["run_id", "km"], how="inner").sort("run_id", "km")


def _agreement_figure(
    analysis: Analysis, metric: str, both: pl.DataFrame, ratio: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
) -> Figure:
    mean = np.sqrt(both["here"].to_numpy() * both["there"].to_numpy())
    some = np.linspace(0, len(ratio) - 1, min(len(ratio), MOST_POINTS)).astype(int)
    points = [{"x": float(mean[k]), "y": float(ratio[k])} for k in some]
    return Figure(
        f"{LABELS[metric].capitalize()}: {analysis.name}",
        "Difference of the two sensors against their mean, a point a split.",
        "points", {"points": points}, {"x": LABELS[metric], "y": "difference, %"},
        analysis.name, metric,
    )  # fmt: skip

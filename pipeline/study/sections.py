"""Analyses of several sections of the same runs: whether they differ, their trend, and each against the first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.errors import NothingDone
from pipeline.methods.between_athletes import between_athletes
from pipeline.methods.repeated_measures import sections_differ
from pipeline.study.between import CHANGES, Names, posterior_rows, term_rows
from pipeline.study.factors import Factors, factors
from pipeline.study.material import Material
from pipeline.study.models import FITTED_BETWEEN, model
from pipeline.study.results import AnalysisResult, Figure, Statistic, figure_of, statistics_of
from pipeline.study.stretches import in_sections
from pipeline.study.study_file import Analysis

#: With fewer, neither an interval nor a test has an error to rest on.
FEWEST_ATHLETES = 3
_FROM_FIRST: Names = {**CHANGES, "overall": "change_from_first_pct", "group": "change_from_first_pct"}
_LINEAR: Names = {
    "overall": "linear_change_pct", "group": "linear_change_pct", "difference": "linear_change_difference_pct",
    "covariate": "linear_change_by_covariate_pct",
}  # fmt: skip
_BEND: Names = {
    "overall": "bend_pct", "group": "bend_pct", "difference": "bend_difference_pct",
    "covariate": "bend_by_covariate_pct",
}  # fmt: skip


def sections(material: Material, analysis: Analysis) -> AnalysisResult:
    """Levels of sections, F of their differences, linear and quadratic trend, and each section against the first.

    Raises:
        NothingDone: too few athletes have all sections; the message has the counts.
    """
    rows = material.values(analysis)
    means, names = in_sections(rows, analysis, split_km=material.split_km)
    n_athletes = means["athlete_id"].n_unique()
    if n_athletes < FEWEST_ATHLETES:
        raise NothingDone(
            f"{analysis.name}: {n_athletes} athletes have a run with {analysis.label} in all of {len(names)} sections "
            f"({names[0]} ... {names[-1]}); at least {FEWEST_ATHLETES} are needed. {rows['run_id'].n_unique()} runs "
            "have it anywhere; splits of the warm-up are left out."
        )
    between = factors(material.athletes, analysis, means["athlete_id"])
    return AnalysisResult(_rows(analysis, between.rows_of(means), names, between), [_figure(analysis, means, names)])


def contrasts(k: int) -> dict[str, Array]:
    """Weights of k sections: the change along the line through them, from the first to the last, and how far the middle
    lies off the line through the ends, by the parabola through them.
    """
    place = np.linspace(-1, 1, k)
    linear, square = place, place**2 - (place**2).mean()
    return {"linear": 2 * linear / (linear @ linear), "bend": -square / (square @ square)}


def _rows(analysis: Analysis, means: pl.DataFrame, names: Sequence[str], between: Factors) -> list[Statistic]:
    k = len(names)
    log, shared = (means[name].to_numpy().reshape(-1, k) for name in ("log", "shared"))
    about = statistics_of(analysis, means.filter(pl.col("section") == 0))
    result = [
        about(
            "section_level", float(np.exp(log[:, place].mean())), part=name, level=None,
            method=f"geometric mean over athletes with all sections [{analysis.metric_unit}]",
        )
        for place, name in enumerate(names)
    ]  # fmt: skip
    tests = {"sections_f": between.terms[0].weights, "sections_by_group_f": between.differences}
    for statistic, weights in tests.items():
        if not len(weights):
            continue
        test = sections_differ(log, between.columns, weights, shared=shared)
        result.append(
            about(
                statistic, test.f, level=None, p_value=test.p_value, way="f",
                method="analysis of variance of repeated measures, degrees of freedom by Greenhouse and Geisser: "
                f"{test.df:.4g} and {test.df_error:.4g}, epsilon {test.epsilon:.4g}"
                + ("; with the error of the responses to speed that athletes have in common" if shared.any() else ""),
                smallest_cell=between.smallest if analysis.group is not None else None,
            )
        )  # fmt: skip
    method = f"{model(analysis)}; {FITTED_BETWEEN}"

    def of(weights: Array, statistic_names: Names, words: str, part: str = "") -> list[Statistic]:
        score, moved = log @ weights, shared @ weights
        fit = between_athletes(score, between.columns, shared=moved)
        rows = term_rows(analysis, fit, between, about, statistic_names, method=f"{words}, {method}", part=part)
        if statistic_names is _LINEAR:
            rows += posterior_rows(analysis, score, between, about, statistic_names, shared=moved)
        return rows

    both = contrasts(k)
    result += of(both["linear"], _LINEAR, "change from the first to the last section along the line through all")
    result += of(both["bend"], _BEND, "how far the middle lies above the line through the ends, by a parabola")
    unit = np.eye(k)
    for place in range(1, k):
        result += of(unit[place] - unit[0], _FROM_FIRST, "change from the first section", names[place])
    return result


def _figure(analysis: Analysis, means: pl.DataFrame, names: Sequence[str]) -> Figure:
    """One line per athlete along the sections, without a name."""
    units = means.with_columns(level=pl.col("log").first().over("athlete_id")).sort("level", "athlete_id", "section")
    place = units["athlete_id"].rle_id()
    rows = [
        {"unit": unit, "stretch": names[section], "value": float(np.exp(log))}
        for unit, (section, log) in zip(place, units.select("section", "log").iter_rows(), strict=True)
    ]
    words = "One line per athlete, along the sections."
    return figure_of(analysis, words, "pairs", {"pairs": rows}, y=f"{analysis.label}, {analysis.metric_unit}")

"""Analyses of two stretches of the same runs: the change, and whether it is smaller than a margin."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.methods.between_athletes import between_athletes
from pipeline.methods.equivalence import equivalence
from pipeline.methods.paired_change import (
    MOST_PAIRS_COUNTED,
    PairedChange,
    paired_change,
    smallest_p,
    standardised_by_levels,
)
from pipeline.methods.sample_size import change_components, sample_sizes
from pipeline.study.between import CHANGES, LEVELS, posterior_rows, term_rows
from pipeline.study.factors import Factors, factors
from pipeline.study.material import Material
from pipeline.study.models import FITTED_BETWEEN, in_words, model
from pipeline.study.results import AnalysisResult, Figure, Power, Statistic, figure_of, statistics_of
from pipeline.study.stretches import by_unit, early_and_late, in_percent
from pipeline.study.study_file import QUARTERS, Analysis

#: Numbers of runs per athlete for which the number of athletes is computed, and powers. Common practice, no source.
RUNS_ASKED = (1, 2, 3, 5, 10)
POWERS_ASKED = (0.8, 0.9)
#: Of p-values that belong to an interval of 95 %.
LEVEL = 0.05


def paired_windows(material: Material, analysis: Analysis) -> AnalysisResult:
    """The change from the early to the late stretch."""
    pairs = pairs_of(material, analysis)
    between = factors(material.athletes, analysis, pairs["athlete_id"])
    pairs = between.rows_of(pairs)
    units = by_unit(pairs, analysis.unit)
    about = statistics_of(analysis, pairs)
    change = paired_change(
        units["early"].to_numpy(), units["late"].to_numpy(), seed=material.seed, shared_se=_shared_se(units)
    )
    rows = _change_rows(analysis, change, units, about)
    if analysis.has_factors:
        rows = [row for row in rows if row.statistic != "change_pct"]
        rows += _rows_between(analysis, units, between, about)
    if analysis.unit == "athlete":
        score, shared = (units["late"] - units["early"]).to_numpy(), units["shared"].to_numpy()
        rows += posterior_rows(analysis, score, between, about, CHANGES, shared=shared)
    return AnalysisResult(rows, [_figure(analysis, units)])


def _rows_between(
    analysis: Analysis, units: pl.DataFrame, between: Factors, about: Callable[..., Statistic]
) -> list[Statistic]:
    """Changes and levels by group and covariate."""
    method = f"{model(analysis)}; {FITTED_BETWEEN}"
    scores = {"change": units["late"] - units["early"], "level": (units["late"] + units["early"]) / 2}
    change, level = (
        between_athletes(score.to_numpy(), between.columns, shared=shared)
        for score, shared in ((scores["change"], units["shared"].to_numpy()), (scores["level"], None))
    )
    return [
        *term_rows(analysis, change, between, about, CHANGES, method=method),
        *term_rows(
            analysis, level, between, about, LEVELS, method=method.replace("change", "mean of early and late", 1)
        ),
    ]


def equivalent_windows(material: Material, analysis: Analysis) -> AnalysisResult:
    """Whether the change is smaller than the margin in either direction: two one-sided tests of logarithms."""
    assert analysis.margin_pct is not None
    pairs = pairs_of(material, analysis)
    units = by_unit(pairs, analysis.unit)
    changes, shared_se = (units["late"] - units["early"]).to_numpy(), _shared_se(units)
    result = equivalence(changes, float(np.log1p(analysis.margin_pct / 100)), shared_se=shared_se)
    found = "equivalent" if result.is_equivalent else "not shown to be equivalent"
    row = statistics_of(analysis, pairs)(
        "change_pct",
        *in_percent(result.mean, result.low, result.high),
        level=0.90,
        p_value=result.p_value,
        is_primary=True,
        shared_se=shared_se,
        method="two one-sided t tests of the mean change of the logarithm; the 90 % interval belongs to them",
        note=f"{found} within {analysis.margin_pct:g} %{_by_runs(analysis)}",
    )
    return AnalysisResult([row])


def power(material: Material, analysis: Analysis) -> pl.DataFrame:
    """How many athletes are needed to detect a change, given the store's own scatter between and within athletes.

    Returns:
        Rows of `Power`.
    """
    pairs = pairs_of(material, analysis)
    # In percent of the logarithm, as everything else here.
    between, within = change_components(
        pairs["athlete_id"].to_list(), 100 * (pairs["late"] - pairs["early"]).to_numpy()
    )
    change = 100 * float(np.log1p(analysis.change_pct / 100))
    needed = sample_sizes(change, between=between, within=within, runs=RUNS_ASKED, powers=POWERS_ASKED)
    about = (analysis.name, analysis.metric, analysis.change_pct, between, within)
    rows = [(*about, size.runs, size.power, size.n) for size in needed]
    return pl.DataFrame(rows, schema=Power.create_empty().schema, orient="row").with_columns(
        pl.col("change_pct", "between_sd_pct", "within_sd_pct").round(4)
    )


def pairs_of(material: Material, analysis: Analysis) -> pl.DataFrame:
    """The early and late mean of each run, or by tags of each athlete (`pipeline.study.stretches.early_and_late`).

    Raises:
        NothingDone: fewer than two units have both; the message has the counts.
    """
    rows = material.values(analysis)
    pairs = early_and_late(rows, analysis, split_km=material.split_km)
    n_units = pairs["athlete_id"].n_unique() if analysis.unit == "athlete" else pairs.height
    if n_units < 2:
        longest = float(rows["to_km"].to_numpy().max())
        raise NothingDone(
            f"{analysis.name}: {n_units} {analysis.unit}s have {analysis.label} {_stretches(analysis)}; at least 2 "
            f"are needed. {rows['run_id'].n_unique()} runs of {rows['athlete_id'].n_unique()} athletes have it "
            f"anywhere, the longest to km {longest:g}; splits of the warm-up are left out."
        )
    return pairs


def _shared_se(units: pl.DataFrame) -> float:
    """Standard error of the mean change by what all units share, the responses to speed; rounded as it is released."""
    return round(abs(float(units["shared"].to_numpy().mean())), 12)


def _stretches(analysis: Analysis) -> str:
    if analysis.windows == QUARTERS:
        return "in the first and in the last quarter of a run"
    return f"both {in_words(analysis, 'early')} and {in_words(analysis, 'late')}"


def _by_runs(analysis: Analysis) -> str:
    return "; runs of the same athlete are correlated, so errors by run are too small" if analysis.unit == "run" else ""


def _disagreement(change: PairedChange) -> str:
    """A word where the p-value and the interval, which rest on different assumptions, do not say the same."""
    if not change.is_by_signs or change.low is None or change.high is None:
        return ""
    excludes_zero = change.low > 0 or change.high < 0
    if excludes_zero == (change.p_value < LEVEL):
        return ""
    if excludes_zero and smallest_p(change.n) >= LEVEL:
        return (
            f"; the interval excludes zero, but {change.n} units cannot reach p < {LEVEL}: the interval rests on a "
            "normal distribution, p does not"
        )
    interval, p = ("excludes", f"not below {LEVEL}") if excludes_zero else ("includes", f"below {LEVEL}")
    return (
        f"; the interval {interval} zero and p is {p}: the interval rests on a normal distribution, p does not; take "
        "the change for shown only where both agree"
    )


def _way(change: PairedChange) -> str:
    if not change.is_by_signs:
        return "t"
    return "signs_drawn" if change.n > MOST_PAIRS_COUNTED else "signs_counted"


def _change_rows(
    analysis: Analysis, change: PairedChange, units: pl.DataFrame, about: Callable[..., Statistic]
) -> list[Statistic]:
    early, late = (np.exp(units[name].to_numpy()) for name in ("early", "late"))
    of_levels = standardised_by_levels(early, late)
    levels = [
        about(
            f"{name}_level",
            float(np.exp(units[name].to_numpy().mean())),
            level=None,
            method=f"geometric mean over {analysis.unit}s [{analysis.metric_unit}]",
        )
        for name in ("early", "late")
    ]
    return [
        *levels,
        about(
            "change_pct",
            *in_percent(change.mean, change.low, change.high),
            p_value=change.p_value,
            is_primary=True,
            shared_se=_shared_se(units),
            method=f"mean change of the logarithm, t interval; p by {change.p_method}"
            + (f"; {change.n} {analysis.unit}s can reach p = {smallest_p(change.n):.2g}" if change.is_by_signs else ""),
            way=_way(change),
            note=(change.note + _disagreement(change) + _by_runs(analysis)).lstrip("; "),
        ),
        about(
            "d_z", change.effect, change.effect_low, change.effect_high,
            method="mean change of the logarithm over the SD of changes, with Hedges' correction for small samples; "
            "interval by the noncentral t; not comparable with a difference over the SD between people",
        ),
        about(
            "d_av", *of_levels,
            method="difference of mean levels over the mean of their two SDs, with Hedges' correction for small "
            "samples: comparable with published standardised mean differences; approximate interval, that of the mean "
            "over the SD of differences by the noncentral t, rescaled",
        ),
    ]  # fmt: skip


def _figure(analysis: Analysis, units: pl.DataFrame) -> Figure:
    """One line per unit, from early to late, without a name."""
    rows = [
        {"unit": place, "stretch": stretch, "value": float(np.exp(row[stretch]))}
        for place, row in enumerate(units.sort("early", "late").iter_rows(named=True))  # in no order of names
        for stretch in ("early", "late")
    ]
    words = f"One line per {analysis.unit}, from the early to the late stretch."
    return figure_of(analysis, words, "pairs", {"pairs": rows}, y=f"{analysis.label}, {analysis.metric_unit}")

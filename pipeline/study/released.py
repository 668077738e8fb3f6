"""The data of a study that are released: for each analysis the rows that its method took, and nothing else.

    analyses    what each analysis does with its rows
    stretches   paired_windows, equivalence: the mean of each run over the early and the late stretch
    splits      trend, onset: each split
    levels      reliability: fresh level and drift of each run
    sensors     agreement: each split by two sensors
    landings    landing: numbers of runners by how they landed early and late
    angles      landing: the angle of each runner early and late
    strike_changes    landing: who came to the rearfoot or left it, with the change of speed
    raters      landing: numbers of feet by the classes of two raters
    draws       random draws that p-values and intervals rest on

There is no name, date, duration, speed, kind of session, surface or device among the columns: all of them are in lists
of results, or come close. `recompute.py` and `recompute.R`, released next to them, compute the results from them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import polars as pl

from pipeline.methods.onset import draws_of_units
from pipeline.methods.paired_change import MOST_PAIRS_COUNTED, drawn_signs
from pipeline.study.agreements import of_different_sensors
from pipeline.study.conduct import StudyResult
from pipeline.study.exposure import Exposure, exposure
from pipeline.study.landings import released_landings
from pipeline.study.material import Material
from pipeline.study.stretches import early_and_late
from pipeline.study.study_file import Analysis
from pipeline.tables.columns import count, dy, flag, identifier, measure, words

#: Significant digits: enough for results of six decimals.
DIGITS = 12
_ANALYSIS = words("Name of the analysis, as in results.", key=True)
_METRIC = words("Its metric.", key=True)
_ATHLETE = identifier("Pseudonym of the athlete, a keyed digest.", key=True)
_RUN = identifier("Pseudonym of the run, a keyed digest.", key=True)


class Analyses(dy.Schema):
    """What an analysis of a metric does with its rows."""

    analysis = _ANALYSIS
    metric = words("Its metric; empty for landing.", key=True)
    design = words("What kind of comparison.")
    unit = words("What counts as one: athlete (runs are averaged first) or run.")
    adjusted_for = words("What values were adjusted for before, by the athlete's own responses; empty for nothing.")
    margin_pct = measure("%", 6, "Margin of equivalence.")
    shared_se = measure("log", 12, "Part of the standard error of the estimate's logarithm that all athletes have in "
        "common, from responses to speed for which the club's were used: taken as known; of an onset, of "
        "its bend per 10 km. Above zero, p of paired_windows is that of t, otherwise of signs.")  # fmt: skip
    correction = words("How p-values of primary statistics are corrected, over the study.")
    split_km = measure("km", 3, "Length of a split.")


class Stretches(dy.Schema):
    """The mean of a run over the early and over the late stretch."""

    analysis = _ANALYSIS
    metric = _METRIC
    athlete = _ATHLETE
    run = _RUN
    early = measure("of the metric", 12, "Geometric mean of its splits in the early stretch, adjusted or not.")
    late = measure("of the metric", 12, "The same in the late stretch.")


class Splits(dy.Schema):
    """A split of a run."""

    analysis = _ANALYSIS
    metric = _METRIC
    athlete = _ATHLETE
    run = _RUN
    distance_km = measure("km", 6, "Middle of the split, from the start of the run.", key=True, nullable=False)
    value = measure("of the metric", 12, "The metric, adjusted or not.")


class Levels(dy.Schema):
    """Fresh level and drift of a run."""

    analysis = _ANALYSIS
    metric = _METRIC
    athlete = _ATHLETE
    run = _RUN
    level = measure("of the metric", 12, "Level when fresh, at the athlete's usual speed on the level.")
    drift_pct = measure("% per 10 km", 12, "Drift at equal speed and slope.")
    shared_se_pct = measure("% per 10 km", 12, "Part of its standard error that the athlete's runs have in common.")


class Sensors(dy.Schema):
    """A split by two sensors."""

    analysis = _ANALYSIS
    metric = _METRIC
    athlete = _ATHLETE
    run = _RUN
    km = count("Number of the split along the run.", key=True)
    here = measure("of the metric", 12, "The metric by the sensor of this store.")
    there = measure("of the metric", 12, "The metric by the sensor of the other store.")


class Landings(dy.Schema):
    """Numbers of runners by how they landed at both distances."""

    analysis = _ANALYSIS
    early = words("How they landed at the early distance; other is midfoot or forefoot.", key=True)
    late = words("How they landed at the late distance; empty where only the numbers at one of them are released.",
        key=True)  # fmt: skip
    runners = count("Number of runners.")


class Angles(dy.Schema):
    """The foot-strike angle of a runner at both distances of an event."""

    analysis = _ANALYSIS
    athlete = _ATHLETE
    run = identifier("Pseudonym of the runner at the event, a keyed digest.", key=True)
    early = measure("degrees", 12, "Mean of the feet seen at the early distance, heel down first positive.")
    late = measure("degrees", 12, "The same at the late distance.")


class StrikeChanges(dy.Schema):
    """A runner who landed on the rearfoot at one of two distances only, and whose speed is known at both."""

    analysis = _ANALYSIS
    athlete = _ATHLETE
    run = identifier("Pseudonym of the runner at the event, a keyed digest.", key=True)
    gained = flag("Whether it was the late one.")
    speed_change = measure(
        "steps of 10 %", 1, "Change of speed from early to late: its logarithm over that of 1.1, to a tenth."
    )


class Raters(dy.Schema):
    """Numbers of feet by the classes that two raters gave them."""

    analysis = _ANALYSIS
    first = words("Class by the rater that counts.", key=True)
    second = words("Class by the other.", key=True)
    feet = count("Number of feet.")


class Draws(dy.Schema):
    """A random draw, the same for all analyses with as many units."""

    purpose = words("What it is for: signs of changes, or signs of athletes and how often each is resampled.",
        "change_signs", "onset_signs", "onset_resamples", key=True)  # fmt: skip
    n_units = count("Number of units, in order of the size of their change, or of their mean level.", key=True)
    draw = count("Number of the draw.", key=True)
    pattern = words("One sign (p, n) or one number per unit.")


RELEASED: Mapping[str, type[dy.Schema]] = {
    "analyses": Analyses, "stretches": Stretches, "splits": Splits, "levels": Levels, "sensors": Sensors,
    "landings": Landings, "angles": Angles, "strike_changes": StrikeChanges, "raters": Raters, "draws": Draws,
}  # fmt: skip


def released_data(result: StudyResult) -> dict[str, pl.DataFrame]:
    """The rows to release, by table; with the store's ids of athletes and runs in place of pseudonyms.

    Args:
        result: a study as it may be passed on (`pipeline.study.small_cells`).
    """
    rows: dict[str, list[pl.DataFrame]] = {name: [] for name in RELEASED}
    draws: dict[tuple[str, int], pl.DataFrame] = {}
    analyses = {analysis.name: analysis for analysis in result.study.analyses}
    for name, metric in result.flows:
        analysis = analyses[name]
        if not _is_recomputed(analysis):
            continue
        table, of_metric = _ROWS[analysis.design]
        taken = of_metric(result.material, analysis, metric)
        rows[table].append(taken.with_columns(analysis=pl.lit(name), metric=pl.lit(metric)))
        about = _about(result, analysis, metric)
        rows["analyses"].append(about)
        if not (analysis.design == "paired_windows" and about["shared_se"].item()):
            draws |= _draws(analysis, taken, result.study.seed)
    for analysis in result.study.analyses:
        if analysis.design == "landing" and any(row.analysis == analysis.name for row in result.statistics):
            taken_landings = released_landings(result.material, analysis, least=result.study.least_cell)
            for name, frame in taken_landings.items():
                if frame.height:
                    rows[name].append(frame.with_columns(analysis=pl.lit(analysis.name)))
            draws |= _draws_of_changes(taken_landings["angles"].height, result.study.seed)
            rows["analyses"].append(_about(result, analysis, ""))
    rows["draws"] = list(draws.values())
    ids = {"athlete": "athlete_id", "run": "run_id"}
    return {
        name: pl.concat(frames).select(
            pl.col(ids.get(column, column)).alias(column) for column in RELEASED[name].column_names()
        )
        for name, frames in rows.items()
        if frames
    }


def without_rows(result: StudyResult) -> list[str]:
    """Names of analyses whose rows are not released, because the scripts do not compute them yet."""
    return list(dict.fromkeys(analysis.name for analysis in result.study.analyses if not _is_recomputed(analysis)))


def _is_recomputed(analysis: Analysis) -> bool:
    is_plain = not (analysis.has_factors or analysis.early_tags or analysis.prior_sd_pct) and analysis.along == "km"
    return (analysis.design in _ROWS and is_plain) or analysis.design == "landing"


def exposure_of(result: StudyResult, rows: Mapping[str, pl.DataFrame]) -> Exposure:
    """How many athletes could be found in the rows that are released of a study."""
    by_adjustment: dict[bool, set[str]] = {True: set(), False: set()}
    analyses = {analysis.name: analysis for analysis in result.study.analyses}
    for name, metric in result.flows:
        design = analyses[name].design
        by_adjustment[design == "reliability" or (design in ADJUSTED and bool(analyses[name].adjust))].add(metric)
    return exposure(result.flow.runs, rows, measured=by_adjustment[False], adjusted=by_adjustment[True])


def _stretches(material: Material, analysis: Analysis, metric: str) -> pl.DataFrame:
    pairs = early_and_late(material.values(analysis, metric), analysis, split_km=material.split_km)
    return pairs.with_columns(pl.col("early", "late").exp().round_sig_figs(DIGITS))


def _splits(material: Material, analysis: Analysis, metric: str) -> pl.DataFrame:
    rows = material.values(analysis, metric)
    return rows.with_columns(pl.col("distance_km").round(6), value=pl.col("log").exp().round_sig_figs(DIGITS))


def _levels(material: Material, _: Analysis, metric: str) -> pl.DataFrame:
    return material.levels(metric)


def _sensors(material: Material, analysis: Analysis, metric: str) -> pl.DataFrame:
    return of_different_sensors(material.sensor_pairs(analysis, metric))


#: By design: the table, and its rows for an analysis and metric.
_ROWS: Mapping[str, tuple[str, Callable[[Material, Analysis, str], pl.DataFrame]]] = {
    "paired_windows": ("stretches", _stretches),
    "equivalence": ("stretches", _stretches),
    "trend": ("splits", _splits),
    "onset": ("splits", _splits),
    "reliability": ("levels", _levels),
    "agreement": ("sensors", _sensors),
}


def _about(result: StudyResult, analysis: Analysis, metric: str) -> pl.DataFrame:
    shared = [row.shared_se for row in result.statistics if (row.analysis, row.metric or "") == (analysis.name, metric)]
    values = {
        "analysis": analysis.name,
        "metric": metric,
        "design": analysis.design,
        "unit": analysis.unit,
        "adjusted_for": " ".join(analysis.adjust) if analysis.design in ADJUSTED else "",
        "margin_pct": analysis.margin_pct,
        "shared_se": max(shared, default=0.0),
        "correction": result.study.correction,
        "split_km": result.material.split_km,
    }
    return pl.DataFrame(values, schema={name: column.dtype for name, column in Analyses.columns().items()})


#: Designs whose values are adjusted as the analysis says.
ADJUSTED = ("paired_windows", "equivalence", "trend", "onset")


def _draws(analysis: Analysis, rows: pl.DataFrame, seed: int) -> dict[tuple[str, int], pl.DataFrame]:
    """The draws that an analysis rests on, by purpose and number of units; none where all patterns are counted."""
    n_athletes = rows["athlete_id"].n_unique()
    if analysis.design == "onset":
        signs, resamples = draws_of_units(n_athletes, seed)
        return {
            (purpose, n_athletes): _patterns(purpose, n_athletes, patterns)
            for purpose, patterns in (("onset_signs", signs), ("onset_resamples", resamples))
        }
    n = rows.height if analysis.unit == "run" else n_athletes
    return _draws_of_changes(n, seed) if analysis.design == "paired_windows" else {}


def _draws_of_changes(n: int, seed: int) -> dict[tuple[str, int], pl.DataFrame]:
    if n <= MOST_PAIRS_COUNTED:
        return {}
    return {("change_signs", n): _patterns("change_signs", n, np.vstack(list(drawn_signs(n, seed=seed))))}


def _patterns(purpose: str, n_units: int, rows: Iterable[Iterable[float]]) -> pl.DataFrame:
    def pattern(row: Iterable[float]) -> str:
        if purpose == "onset_resamples":
            return " ".join(f"{number:.0f}" for number in row)
        return "".join("p" if sign > 0 else "n" for sign in row)

    texts = pl.DataFrame({"pattern": [pattern(row) for row in rows]})
    return texts.select(
        pl.lit(purpose).alias("purpose"),
        pl.lit(n_units, pl.Int64).alias("n_units"),
        pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("draw"),
        "pattern",
    )

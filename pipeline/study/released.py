"""The data of a study that are released: for each analysis the rows that its method took, and nothing else.

    analyses    what each analysis does with its rows
    stretches   paired_windows, equivalence, responders: the mean of each run over the early and the late stretch
    splits      trend, onset: each split
    sections    sections: the mean of each athlete over each section
    levels      reliability: fresh level and drift of each run
    sensors     agreement: each split by two sensors
    landings    landing: numbers of runners by how they landed early and late
    angles      landing: the angle of each runner early and late
    strike_changes    landing: who came to the rearfoot or left it, with the change of speed
    raters      landing: numbers of feet by the classes of two raters
    factors     groups of athletes and their covariates
    shared_errors     parts of standard errors that all athletes have in common
    athletes    what athletes have in common in a posterior, and for responders; for these the error of their responses
    draws       random draws that p-values and intervals rest on

There is no name, date, duration, speed, kind of session, surface or device among the columns: all of them are in lists
of results, or come close. Covariates are means of athletes who are alike (`pipeline.study.blocks`); moving time, shares
of a run (`pipeline.study.material`) and what athletes have in common are rounded. `recompute.py` and `recompute.R`,
released next to them, compute the results from them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping

import numpy as np
import polars as pl

from pipeline.methods.onset import draws_of_units
from pipeline.methods.paired_change import MOST_PAIRS_COUNTED, drawn_signs
from pipeline.study.agreements import of_different_sensors
from pipeline.study.conduct import StudyResult
from pipeline.study.exposure import (
    OF_SPLITS,
    OF_STRETCHES,
    Exposure,
    exposure,
    n_with_rare_factors,
    released_lengths,
)
from pipeline.study.factors import covariate_columns, factors
from pipeline.study.material import Material
from pipeline.study.released_landings import released_landings
from pipeline.study.released_tables import RELEASED, Analyses
from pipeline.study.sections import contrasts
from pipeline.study.stretches import by_unit, early_and_late, in_sections, response_se, shared_as_released
from pipeline.study.study_file import Analysis
from pipeline.study.trends import own_slopes, rows_of_trend

#: Significant digits: enough for results of six decimals.
DIGITS = 12


def released_data(result: StudyResult) -> dict[str, pl.DataFrame]:
    """The rows to release, by table; with the store's ids of athletes and runs in place of pseudonyms.

    Args:
        result: a study as it may be passed on (`pipeline.study.small_cells`).
    """
    rows: dict[str, list[pl.DataFrame]] = {name: [] for name in RELEASED}
    computed = {(row.analysis, row.metric) for row in result.statistics if row.design == "landing"} | {*result.flows}
    for (name, metric), analysis in result.study.parts.items():
        if (name, metric) not in computed:
            continue
        taken = _of_landings(result, analysis) if analysis.design == "landing" else _of_runs(result, analysis)
        for table, frame in {**taken, "analyses": _about(result, analysis)}.items():
            if frame.height:
                rows[table].append(frame.with_columns(analysis=pl.lit(name), metric=pl.lit(metric)))
    ids = {"athlete": "athlete_id", "run": "run_id"}
    released = {
        table: pl.concat(
            frame.select(pl.col(ids.get(name, name)).cast(of.dtype).alias(name) for name, of in columns.items())
            for frame in frames
        )
        for table, frames in rows.items()
        if frames
        for columns in [RELEASED[table].columns()]
    }
    if "draws" in released:
        released["draws"] = released["draws"].unique()  # the same for analyses with as many units
    return released


def _of_runs(result: StudyResult, analysis: Analysis) -> dict[str, pl.DataFrame]:
    """What an analysis of runs took, by table."""
    table, rows_of = _ROWS[analysis.design]
    rows = rows_of(result.material, analysis)
    shared = pl.concat([_shared_errors(result, analysis), _shared_of_sections(result.material, analysis, rows)])
    shared = shared.with_columns(pl.col("shared_se").round(DIGITS))  # beyond that sums differ from run to run
    taken = {
        table: rows,
        "factors": _factors(result.material, analysis, rows),
        "athletes": _shared_of_athletes(result.material, analysis, rows),
        "shared_errors": shared,
    }
    # An error that all athletes share moves all changes the same way: there p is not of signs.
    if not (analysis.design == "paired_windows" and (analysis.has_factors or shared.height)):
        taken["draws"] = _draws(analysis, rows, result.study.seed)
    return taken


def _of_landings(result: StudyResult, analysis: Analysis) -> dict[str, pl.DataFrame]:
    taken = released_landings(result.material, analysis, least=result.study.least_cell)
    return taken | {"draws": _draws_of_changes(taken["angles"].height, result.study.seed)}


def exposure_of(result: StudyResult, rows: Mapping[str, pl.DataFrame]) -> Exposure:
    """How many athletes could be found in the rows that are released of a study."""
    by_adjustment: dict[bool, set[str]] = {True: set(), False: set()}
    analyses = {key: result.study.parts[key] for key in result.flows}
    lengths = [released_lengths(rows)]
    for key, analysis in analyses.items():
        is_adjusted = analysis.design == "reliability" or bool(analysis.adjusted_for)
        by_adjustment[is_adjusted].add(analysis.metric)
        # Means of several runs count as those of each; of a share of the run its whole length can be computed.
        along_share = pl.col("distance_km").floor() if analysis.along == "share" else pl.lit(0.0)
        lengths.append(result.flows[key].runs.select(run="run_id", length=along_share))
    return exposure(
        result.flow.runs,
        pl.concat(lengths).group_by("run").agg(pl.col("length").max()),
        measured=by_adjustment[False],
        adjusted=by_adjustment[True],
        pace_within=_pace_within(analyses.values()),
        n_by_factors=n_with_rare_factors(rows["factors"], result.study.least_cell) if "factors" in rows else 0,
    )


def _pace_within(analyses: Collection[Analysis]) -> float | None:
    """How well finishing times follow from what analyses say of the speed or the time of their splits."""
    bands = [analysis.speed_m_s for analysis in analyses if analysis.speed_m_s is not None]
    within = [max((high - low) / (high + low), OF_SPLITS) for low, high in bands]
    return min(within + [OF_STRETCHES for analysis in analyses if analysis.along == "min"], default=None)


def _stretches(material: Material, analysis: Analysis) -> pl.DataFrame:
    pairs = early_and_late(material.values(analysis), analysis, split_km=material.split_km)
    if analysis.has_factors:
        pairs = factors(material.athletes, analysis, pairs["athlete_id"]).rows_of(pairs)
    return pairs.with_columns(pl.col("early", "late").exp().round_sig_figs(DIGITS))


def _splits(material: Material, analysis: Analysis) -> pl.DataFrame:
    rows = material.values(analysis)
    if analysis.has_factors:
        rows = factors(material.athletes, analysis, rows["athlete_id"]).rows_of(rows)
    places = {"min": "moved_min", "share": "share"}
    return rows.with_columns(
        pl.col("distance_km").round(6),
        *(
            pl.when(analysis.along == along).then(pl.col(name).round_sig_figs(DIGITS)).alias(name)
            for along, name in places.items()
        ),
        value=pl.col("log").exp().round_sig_figs(DIGITS),
    )


def _sections(material: Material, analysis: Analysis) -> pl.DataFrame:
    means, names = in_sections(material.values(analysis), analysis, split_km=material.split_km)
    means = factors(material.athletes, analysis, means["athlete_id"]).rows_of(means)
    return means.with_columns(
        section=pl.col("section") + 1,
        name=pl.Series(names).gather(means["section"]),
        value=pl.col("log").exp().round_sig_figs(DIGITS),
    )


def _sensors(material: Material, analysis: Analysis) -> pl.DataFrame:
    return of_different_sensors(material.sensor_pairs(analysis))


#: By design: the table, and its rows for an analysis.
_ROWS: Mapping[str, tuple[str, Callable[[Material, Analysis], pl.DataFrame]]] = {
    "paired_windows": ("stretches", _stretches),
    "equivalence": ("stretches", _stretches),
    "responders": ("stretches", _stretches),
    "trend": ("splits", _splits),
    "sections": ("sections", _sections),
    "onset": ("splits", _splits),
    "reliability": ("levels", Material.levels),
    "agreement": ("sensors", _sensors),
}


def _factors(material: Material, analysis: Analysis, rows: pl.DataFrame) -> pl.DataFrame:
    """Groups and covariates of the athletes of some rows."""
    if not analysis.has_factors:
        return pl.DataFrame()
    between = factors(material.athletes, analysis, rows["athlete_id"])
    known = between.rows_of(material.athletes).sort("athlete_id")
    parts = {kind: [term.part for term in between.terms if term.kind == kind] for kind in ("group", "covariate")}
    columns = [pl.Series(between.columns[:, place]) for place in range(len(parts["group"]))]
    columns += [known[name].cast(pl.Float64) for name in covariate_columns(material.athletes, analysis)]
    named = [(kind, part) for kind, names in parts.items() for part in names]
    return pl.concat(
        known.select("athlete_id", value=column, place=pl.lit(place), term=pl.lit(kind), part=pl.lit(part))
        for place, ((kind, part), column) in enumerate(zip(named, columns, strict=True), start=1)
    )


def _shared_errors(result: StudyResult, analysis: Analysis) -> pl.DataFrame:
    rows = [
        (row.statistic, row.part, row.shared_se)
        for row in result.statistics
        if (row.analysis, row.metric) == (analysis.name, analysis.metric) and row.shared_se
    ]
    return pl.DataFrame(rows, schema=_SHARED_ERRORS, orient="row")


_SHARED_ERRORS = {"statistic": pl.String, "part": pl.String, "shared_se": pl.Float64}


def _shared_of_sections(material: Material, analysis: Analysis, means: pl.DataFrame) -> pl.DataFrame:
    """What F tests of sections rest on: how the shared error moves the mean level of each section, with its sign.

    Args:
        means: what `_sections` gave.
    """
    if analysis.design != "sections":
        return pl.DataFrame(schema=_SHARED_ERRORS)
    names = means.unique("section").sort("section")["name"].to_list()
    between = factors(material.athletes, analysis, means["athlete_id"])
    moved = np.linalg.lstsq(between.columns, means["shared"].to_numpy().reshape(-1, len(names)))[0]
    groups = [term.part for term in between.terms if term.kind == "group"][1:]
    tested = [("sections_f", "", between.terms[0].weights)]
    tested += [("sections_by_group_f", name, row) for name, row in zip(groups, between.differences, strict=True)]
    rows = [
        (statistic, ", ".join(filter(None, (section, group))), float(value))
        for statistic, group, weights in tested
        for section, value in zip(names, weights @ moved, strict=True)
        if value
    ]
    return pl.DataFrame(rows, schema=_SHARED_ERRORS, orient="row")


def _shared_of_athletes(material: Material, analysis: Analysis, taken: pl.DataFrame) -> pl.DataFrame:
    """What athletes have in common in their changes, for posteriors and responders.

    Args:
        taken: the rows that are released of the analysis.
    """
    is_detected = analysis.design == "responders" and analysis.detectable_pct is None
    if analysis.prior_sd_pct is None and not is_detected:
        return pl.DataFrame()
    if analysis.design == "trend":
        rows = own_slopes(rows_of_trend(material, analysis)[0])
    elif analysis.design == "sections":
        weight = pl.Series(contrasts(taken["section"].n_unique())["linear"][taken["section"] - 1])
        rows = taken.with_columns(pl.col("shared") * weight).group_by("athlete_id").agg(pl.col("shared").sum())
    else:
        rows = by_unit(taken, "athlete")
    whole = response_se(material.drifts, analysis.metric, rows) if is_detected else None
    return rows.select(
        "athlete_id",
        shared=pl.Series(shared_as_released(rows["shared"])),
        response_se=pl.lit(None, pl.Float64) if whole is None else pl.Series(whole),
    )


def _about(result: StudyResult, analysis: Analysis) -> pl.DataFrame:
    values = {
        "analysis": analysis.name,
        "metric": analysis.metric,
        "design": analysis.design,
        "unit": analysis.unit,
        "adjusted_for": " ".join(analysis.adjusted_for),
        "margin_pct": analysis.margin_pct,
        "detectable_pct": analysis.detectable_pct,
        "along": analysis.along if analysis.design == "trend" else "",
        "prior_sd_pct": analysis.prior_sd_pct,
        "prior_scatter_pct": analysis.prior_scatter_pct if analysis.prior_sd_pct else None,
        "correction": result.study.correction,
        "split_km": result.material.split_km,
    }
    return pl.DataFrame(values, schema=Analyses.create_empty().schema)


def _draws(analysis: Analysis, rows: pl.DataFrame, seed: int) -> pl.DataFrame:
    """The draws that an analysis rests on; no rows where all patterns are counted."""
    n_athletes = rows["athlete_id"].n_unique()
    if analysis.design == "onset":
        signs, resamples = draws_of_units(n_athletes, seed)
        return pl.concat(
            [_patterns("onset_signs", n_athletes, signs), _patterns("onset_resamples", n_athletes, resamples)]
        )
    n = rows.height if analysis.unit == "run" else n_athletes
    return _draws_of_changes(n if analysis.design == "paired_windows" else 0, seed)


def _draws_of_changes(n: int, seed: int) -> pl.DataFrame:
    if n <= MOST_PAIRS_COUNTED:
        return pl.DataFrame()
    return _patterns("change_signs", n, np.vstack(list(drawn_signs(n, seed=seed))))


def _patterns(purpose: str, n_units: int, rows: Iterable[Iterable[float]]) -> pl.DataFrame:
    def pattern(row: Iterable[float]) -> str:
        if purpose == "onset_resamples":
            return " ".join(f"{number:.0f}" for number in row)
        return "".join("p" if sign > 0 else "n" for sign in row)

    texts = pl.DataFrame({"pattern": [pattern(row) for row in rows]})
    return texts.select("pattern", purpose=pl.lit(purpose), n_units=pl.lit(n_units), draw=pl.int_range(1, pl.len() + 1))

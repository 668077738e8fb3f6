"""Conducting a study on a store: the cohort, then the analyses in the order of the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline.core.code import code_digest
from pipeline.core.errors import NothingDone, UsageError
from pipeline.core.settings import Settings
from pipeline.store.generations import published
from pipeline.store.layout import read_rows, settings_of
from pipeline.store.parquet import Provenance, read_provenance
from pipeline.study.agreements import agreements, reliabilities
from pipeline.study.analysed import analysis_flow
from pipeline.study.blocks import with_blocks
from pipeline.study.cohort import Flow, cohort_flow, with_criteria
from pipeline.study.factors import attributes
from pipeline.study.filmed import filmed, filmed_flow, is_of_landings
from pipeline.study.landings import landings
from pipeline.study.material import Material
from pipeline.study.pictures import pictures
from pipeline.study.responders import responders
from pipeline.study.results import AnalysisResult, Figure, Statistic, compare_with_published, results
from pipeline.study.sections import sections
from pipeline.study.study_file import Analysis, Study
from pipeline.study.study_reader import line_of
from pipeline.study.trends import onsets, trend
from pipeline.study.windows import equivalent_windows, paired_windows, power

T = TypeVar("T")
_ANALYSES: Mapping[str, Callable[[Material, Analysis], AnalysisResult]] = {
    "paired_windows": paired_windows,
    "trend": trend,
    "sections": sections,
    "responders": responders,
    "onset": onsets,
    "landing": landings,
    "equivalence": equivalent_windows,
    "agreement": agreements,
    "reliability": reliabilities,
}

#: Designs that `power` computes numbers of athletes for.
POWERED = ("paired_windows", "equivalence")


@dataclass(frozen=True)
class StudyResult:
    """A study with its result.

    Attributes:
        settings: settings of the store's tables.
        made_from: provenance of the store's tables.
        against: provenance of the store of the other sensor; None without one.
        flow: from all runs to those that are included.
        results: rows of `pipeline.study.results.Results`, one of each of these.
        comparison: published results and the study's own, with the difference.
        power: how many athletes would be needed; None where it was not asked for.
        flows: from the cohort's runs to those used, by analysis and metric.
        failures: why an analysis could not be computed, in the order of the file.
    """

    study: Study
    settings: Settings
    made_from: Provenance
    against: Provenance | None
    flow: Flow
    material: Material
    statistics: Sequence[Statistic]
    results: pl.DataFrame
    comparison: pl.DataFrame
    figures: list[Figure]
    power: pl.DataFrame | None
    flows: Mapping[tuple[str, str], Flow]
    failures: Sequence[str]

    @property
    def analysed_runs(self) -> pl.DataFrame:
        """Runs of the cohort that at least one analysis used; all of them where none counts by runs."""
        runs = self.flow.runs
        used = {run for flow in self.flows.values() for run in flow.runs["run_id"]}
        return runs.filter(pl.col("run_id").is_in(list(used))) if self.flows else runs

    @property
    def parts(self) -> dict[str, str]:
        """Digest of each thing that the result depends on."""
        parts = {
            "the study file": self.study.digest(),
            "the recordings and lists": self.made_from.inputs_sha256,
            "the settings": self.settings.digest(),
            "the code": code_digest(),
        }
        if self.against is not None:
            parts["the recordings and lists of the other store"] = self.against.inputs_sha256
            parts["the settings of the other store"] = self.against.settings_sha256
        return parts


def conduct(study: Study, store: Path, *, against: Path | None = None, with_power: bool = False) -> StudyResult:
    """Conduct a study on a store.

    Args:
        against: a store of the same runs from another sensor, for agreement.
        with_power: also compute how many athletes would be needed.

    Raises:
        NothingDone: no store, too few athletes, or no analysis that could be computed, with the reason of each.
        UsageError: a stretch begins in the warm-up; the message has its line.
    """
    if against is not None and not any(analysis.design == "agreement" for analysis in study.analyses):
        raise NothingDone("--against applies to analyses of the design agreement; this study has none.")
    check(study, store)
    folder = published(store)
    settings = settings_of(store)
    splits, drifts = read_rows(folder, "splits"), read_rows(folder, "athlete_drift")
    runs = with_criteria(read_rows(folder, "runs"), study, splits, drifts)
    if is_of_landings(study):
        flow = filmed_flow(read_rows(folder, "landings"), runs, study)
    else:
        flow = cohort_flow(runs, study.cohort)
    material = _material(folder, settings, flow, runs, splits=splits, drifts=drifts, study=study, against=against)
    statistics: list[Statistic] = []
    figures: list[Figure] = []
    sizes: list[pl.DataFrame] = []
    flows: dict[tuple[str, str], Flow] = {}
    failures: list[str] = []
    for key, analysis in study.parts.items():
        try:
            result = _run(_ANALYSES[analysis.design], material, analysis)
            if with_power and analysis.design in POWERED:
                sizes.append(_run(power, material, analysis))
        except NothingDone as error:
            failures.append(str(error))
            continue
        statistics += result.statistics
        figures += [*result.figures, *pictures(material, analysis, result.statistics)]
        if analysis.metric:
            flows[key] = analysis_flow(material, analysis)
    if not statistics:
        raise NothingDone(" ".join(failures))
    if with_power and not sizes:
        raise NothingDone("--power applies to comparisons of an early and a late stretch; this study has none.")
    rows = results(statistics, study.correction)
    of_other = read_provenance(published(against)) if against else None
    return StudyResult(
        study, settings, read_provenance(folder), of_other, flow, material, statistics, rows,
        compare_with_published(rows, study.published), figures, pl.concat(sizes) if sizes else None,
        flows, failures,
    )  # fmt: skip


def check(study: Study, store: Path) -> Provenance:
    """Check a study against the settings of a store; returns what the store was made from.

    Raises:
        NothingDone: there is no store.
        UsageError: a stretch begins in the warm-up; the message has its line.
    """
    folder = published(store)
    _require_past_warm_up(study, settings_of(store))
    return read_provenance(folder)


def _require_past_warm_up(study: Study, settings: Settings) -> None:
    """A stretch that begins in the warm-up would silently be shortened."""
    for n, analysis in enumerate(study.analyses):
        key = "sections_km" if analysis.sections_km else "early_km"
        begins_km, warm_up_km = next(iter(analysis.early_km or analysis.sections_km), None), settings.warm_up_m / 1000
        if analysis.design != "landing" and begins_km is not None and begins_km < warm_up_km:
            raise UsageError(
                f"The study file, {line_of(study.text, n, key)}: {key} of {analysis.name!r} begins at km "
                f"{begins_km:g}, and the store leaves out the first {warm_up_km:g} km of each run as warm-up. Let it "
                f"begin at km {warm_up_km:g} or later, or refresh the store with a smaller warm_up_m in settings.toml."
            )


def _run(method: Callable[[Material, Analysis], T], material: Material, analysis: Analysis) -> T:
    try:
        return method(material, analysis)
    except ValueError as error:  # the method has too little data
        raise NothingDone(f"{analysis.name}: {error}") from error


def _material(
    folder: Path, settings: Settings, flow: Flow, runs: pl.DataFrame,
    *, splits: pl.DataFrame, drifts: pl.DataFrame, study: Study, against: Path | None,
) -> Material:  # fmt: skip
    names, athletes = flow.runs.select("run_id"), flow.runs.select("athlete_id").unique()
    other_splits = None
    if against is not None:
        length_m = settings_of(against).split_length_m
        if length_m != settings.split_length_m:
            raise NothingDone(
                f"Splits of both stores must have the same length; here it is {settings.split_length_m:g} m, in the "
                f"other store {length_m:g} m (split_length_m)."
            )
        other_splits = read_rows(published(against), "splits").join(names, on="run_id", how="semi")
    run_drifts = read_rows(folder, "run_drift")
    covariates = sorted({name for analysis in study.analyses for name in analysis.covariates})
    return Material(
        runs=flow.runs,
        splits=splits.join(names, on="run_id", how="semi").sort("run_id", "km"),
        drifts=drifts.join(athletes, on="athlete_id", how="semi").sort("athlete_id", "metric"),
        run_drifts=run_drifts.join(names, on="run_id", how="semi").sort("run_id", "metric"),
        athletes=with_blocks(attributes(flow.runs, read_rows(folder, "roster")), covariates, study.least_cell),
        landings=filmed(read_rows(folder, "landings"), runs, study),
        other_splits=other_splits,
        inclusion=settings.inclusion,
        seed=study.seed,
        least_cell=study.least_cell,
    )

"""Conducting a study on a store: the cohort, then the analyses in the order of the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline.core.errors import NothingDone, UsageError
from pipeline.core.settings import Settings, read_settings
from pipeline.store.generations import published
from pipeline.store.known import code_digest
from pipeline.store.layout import SETTINGS, read_rows, read_settings_text
from pipeline.store.parquet import Provenance, read_provenance
from pipeline.study.agreements import agreements, reliabilities
from pipeline.study.cohort import Flow, cohort_flow
from pipeline.study.filmed import filmed, filmed_flow, is_of_landings
from pipeline.study.landings import landings
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Figure, Statistic, compare_with_published, results
from pipeline.study.study_file import Analysis, Study
from pipeline.study.study_reader import line_of
from pipeline.study.trends import onsets, trend
from pipeline.study.windows import equivalent_windows, paired_windows, power

T = TypeVar("T")
_ANALYSES: Mapping[str, Callable[[Material, Analysis], AnalysisResult]] = {
    "paired_windows": paired_windows,
    "trend": trend,
    "onset": onsets,
    "landing": landings,
    "equivalence": equivalent_windows,
    "agreement": agreements,
    "reliability": reliabilities,
}


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
        NothingDone: no store, too few athletes, a distance that no one reached, a metric that no one recorded.
        UsageError: a stretch begins in the warm-up; the message has its line.
    """
    if against is not None and not any(analysis.design == "agreement" for analysis in study.analyses):
        raise NothingDone("--against applies to analyses of the design agreement; this study has none.")
    folder = published(store)
    settings = read_settings(read_settings_text(folder), name=f"{store / SETTINGS}")
    _require_past_warm_up(study, settings)
    runs = read_rows(folder, "runs")
    if is_of_landings(study):
        flow = filmed_flow(read_rows(folder, "landings"), runs, study)
    else:
        flow = cohort_flow(runs, study.cohort)
    material = _material(folder, settings, flow, study, against)
    statistics: list[Statistic] = []
    figures: list[Figure] = []
    sizes: list[pl.DataFrame] = []
    for analysis in study.analyses:
        result = _run(_ANALYSES[analysis.design], material, analysis)
        statistics += result.statistics
        figures += result.figures
        if with_power and analysis.design in ("paired_windows", "equivalence"):
            sizes.append(_run(power, material, analysis))
    if with_power and not sizes:
        raise NothingDone("--power applies to comparisons of an early and a late stretch; this study has none.")
    rows = results(statistics, study.correction)
    return StudyResult(
        study, settings, _made_from(folder), _made_from(published(against)) if against else None, flow, material,
        statistics, rows, compare_with_published(rows, study.published), figures, pl.concat(sizes) if sizes else None,
    )  # fmt: skip


def _require_past_warm_up(study: Study, settings: Settings) -> None:
    """A stretch that begins in the warm-up would silently be shortened."""
    for n, analysis in enumerate(study.analyses):
        begins_km, warm_up_km = analysis.early_km[0] if analysis.early_km else None, settings.warm_up_m / 1000
        if analysis.design != "landing" and begins_km is not None and begins_km < warm_up_km:
            raise UsageError(
                f"The study file, {line_of(study.text, n, 'early_km')}: early_km of {analysis.name!r} begins at km "
                f"{begins_km:g}, and the store leaves out the first {warm_up_km:g} km of each run as warm-up. Let it "
                f"begin at km {warm_up_km:g} or later, or refresh the store with a smaller warm_up_m in settings.toml."
            )


def _made_from(folder: Path) -> Provenance:
    return read_provenance(folder, "athlete_drift")


def _run(method: Callable[[Material, Analysis], T], material: Material, analysis: Analysis) -> T:
    try:
        return method(material, analysis)
    except ValueError as error:  # the method has too little data
        raise NothingDone(f"{analysis.name}: {error}") from error


def _material(folder: Path, settings: Settings, flow: Flow, study: Study, against: Path | None) -> Material:
    names, athletes = flow.runs.select("run_id"), flow.runs.select("athlete_id").unique()
    other_splits = None
    if against is not None:
        length_m = read_settings(read_settings_text(published(against)), name=f"{against / SETTINGS}").split_length_m
        if length_m != settings.split_length_m:
            raise NothingDone(
                f"Splits of both stores must have the same length; here it is {settings.split_length_m:g} m, in the "
                f"other store {length_m:g} m (split_length_m)."
            )
        other_splits = read_rows(published(against), "splits").join(names, on="run_id", how="semi")
    drifts, run_drifts = read_rows(folder, "athlete_drift"), read_rows(folder, "run_drift")
    return Material(
        runs=flow.runs,
        splits=read_rows(folder, "splits").join(names, on="run_id", how="semi").sort("run_id", "km"),
        drifts=drifts.join(athletes, on="athlete_id", how="semi").sort("athlete_id", "metric"),
        run_drifts=run_drifts.join(names, on="run_id", how="semi").sort("run_id", "metric"),
        landings=filmed(read_rows(folder, "landings"), read_rows(folder, "runs"), study),
        other_splits=other_splits,
        inclusion=settings.inclusion,
        seed=study.seed,
        least_cell=study.least_cell,
    )

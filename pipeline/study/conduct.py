"""A study from its file to its report: the cohort, the analyses in the order of the file, what is written."""

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
from pipeline.store.layout import SETTINGS, read_rows, read_settings_text, table_folder
from pipeline.store.parquet import Provenance, read_provenance
from pipeline.study.agreements import agreements, reliabilities
from pipeline.study.cohort import Flow, cohort_flow
from pipeline.study.landings import landings
from pipeline.study.material import Material
from pipeline.study.results import Figure, Found, Outcome, beside_published, results
from pipeline.study.study_file import Analysis, Study, line_of
from pipeline.study.trends import onsets, trend
from pipeline.study.windows import equivalent_windows, paired_windows, power

T = TypeVar("T")
_ANALYSES: Mapping[str, Callable[[Material, Analysis], Outcome]] = {
    "paired_windows": paired_windows,
    "trend": trend,
    "onset": onsets,
    "landing": landings,
    "equivalence": equivalent_windows,
    "agreement": agreements,
    "reliability": reliabilities,
}


@dataclass(frozen=True)
class Conducted:
    """A study with its result.

    Attributes:
        study: as its file states it.
        settings: that the store's tables were made with.
        made_from: what the store's tables were made from.
        against: the same of the store of the other sensor; None without one.
        flow: from all runs to those that entered.
        material: the rows of the cohort.
        found: statistics as the analyses gave them.
        results: rows of `pipeline.study.results.Results`, one of each of these.
        beside: published results with the study's own beside them.
        figures: pictures.
        power: how many athletes would be needed; None where it was not asked.
    """

    study: Study
    settings: Settings
    made_from: Provenance
    against: Provenance | None
    flow: Flow
    material: Material
    found: Sequence[Found]
    results: pl.DataFrame
    beside: pl.DataFrame
    figures: list[Figure]
    power: pl.DataFrame | None

    @property
    def parts(self) -> dict[str, str]:
        """What the result rests on, each with its digest."""
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


def conduct(study: Study, store: Path, *, against: Path | None = None, with_power: bool = False) -> Conducted:
    """Take a study on a store.

    Args:
        study: as its file states it.
        store: published.
        against: a store of the same runs from another sensor, for agreement.
        with_power: also say how many athletes would be needed.

    Raises:
        NothingDone: no store, too few athletes, a distance that nobody reached, a metric that nobody recorded.
        UsageError: a stretch that begins in the warm-up; told with its line.
    """
    if against is not None and not any(one.design == "agreement" for one in study.analyses):
        raise NothingDone("--against is for analyses of the design agreement; this study has none.")
    folder = published(store)
    settings = read_settings(read_settings_text(folder), name=f"{store / SETTINGS}")
    _require_past_warm_up(study, settings)
    flow = cohort_flow(read_rows(folder, "runs"), study.cohort)
    material = _material(folder, settings, flow, study.seed, against)
    found: list[Found] = []
    figures: list[Figure] = []
    needed: list[pl.DataFrame] = []
    for analysis in study.analyses:
        outcome = _taken(_ANALYSES[analysis.design], material, analysis)
        found += outcome.found
        figures += outcome.figures
        if with_power and analysis.design in ("paired_windows", "equivalence"):
            needed.append(_taken(power, material, analysis))
    if with_power and not needed:
        raise NothingDone("--power is of comparisons of an early and a late stretch; this study has none.")
    told = results(found, study.correction)
    return Conducted(
        study, settings, _made_from(folder), _made_from(published(against)) if against else None, flow, material,
        found, told, beside_published(told, study.published), figures, pl.concat(needed) if needed else None,
    )  # fmt: skip


def _require_past_warm_up(study: Study, settings: Settings) -> None:
    """A stretch that begins in the warm-up would be read as a shorter one, without a word."""
    for n, one in enumerate(study.analyses):
        begins_km, warm_up_km = one.early_km[0] if one.early_km else None, settings.warm_up_m / 1000
        if one.design != "landing" and begins_km is not None and begins_km < warm_up_km:
            raise UsageError(
                f"The study file, {line_of(study.text, n, 'early_km')}: early_km of {one.name!r} begins at km "
                f"{begins_km:g}, and the store leaves out the first {warm_up_km:g} km of each run as warm-up. Let it "
                f"begin at km {warm_up_km:g} or later, or refresh the store with a smaller warm_up_m in settings.toml."
            )


def _made_from(folder: Path) -> Provenance:
    return read_provenance(table_folder(folder, "athlete_drift"))


def _taken(take: Callable[[Material, Analysis], T], material: Material, analysis: Analysis) -> T:
    try:
        return take(material, analysis)
    except ValueError as error:  # of a method that has too little to go by
        raise NothingDone(f"{analysis.name}: {error}") from error


def _material(folder: Path, settings: Settings, flow: Flow, seed: int, against: Path | None) -> Material:
    names, athletes = flow.runs.select("run_id"), flow.runs.select("athlete_id").unique()
    other = None
    if against is not None:
        length_m = read_settings(read_settings_text(published(against)), name=f"{against / SETTINGS}").split_length_m
        if length_m != settings.split_length_m:
            raise NothingDone(
                f"Splits of both stores have to be of one length; here it is {settings.split_length_m:g} m, in the "
                f"other store {length_m:g} m (split_length_m)."
            )
        other = read_rows(published(against), "splits").join(names, on="run_id", how="semi")
    drifts, run_drifts = read_rows(folder, "athlete_drift"), read_rows(folder, "run_drift")
    return Material(
        runs=flow.runs,
        splits=read_rows(folder, "splits").join(names, on="run_id", how="semi").sort("run_id", "km"),
        drifts=drifts.join(athletes, on="athlete_id", how="semi").sort("athlete_id", "metric"),
        run_drifts=run_drifts.join(names, on="run_id", how="semi").sort("run_id", "metric"),
        strike_shift=read_rows(folder, "strike_shift"),
        other_splits=other,
        inclusion=settings.inclusion,
        seed=seed,
    )

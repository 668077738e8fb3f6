"""Input of the analyses of a study: the rows of its cohort."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import LABELS
from pipeline.study.stretches import values
from pipeline.study.study_file import Analysis


@dataclass(frozen=True)
class Material:
    """Rows of the cohort.

    Attributes:
        drifts: rows of `athlete_drift` of the athletes, from all their runs.
        landings: rows of that table, of who was filmed (`pipeline.study.filmed`).
        other_splits: rows of `splits` of the other sensor's store, for agreement; None without one.
    """

    runs: pl.DataFrame
    splits: pl.DataFrame
    drifts: pl.DataFrame
    run_drifts: pl.DataFrame
    landings: pl.DataFrame
    other_splits: pl.DataFrame | None
    inclusion: Inclusion
    seed: int
    least_cell: int = 3

    @property
    def split_km(self) -> float:
        """Length of a split [km]."""
        return self.inclusion.split_length_m / 1000

    def values(self, analysis: Analysis, metric: str) -> pl.DataFrame:
        """The splits of a metric as `pipeline.study.stretches.values` gives them.

        Raises:
            NothingDone: none is left; the message has the counts.
        """
        rows = values(self.splits, self.drifts, metric, adjust=analysis.adjust, inclusion=self.inclusion)
        if rows.is_empty():
            recorded = self.splits.filter(pl.col(metric).is_not_null())["run_id"].n_unique()
            reason = _without_estimate(self, analysis, metric)
            raise NothingDone(
                f"{analysis.name}: {LABELS[metric]} cannot be used. Of "
                f"{self.splits['run_id'].n_unique()} runs of the cohort {recorded} recorded it; {reason}"
            )
        return rows


def _without_estimate(material: Material, analysis: Analysis, metric: str) -> str:
    if not analysis.adjust:
        return "none of their splits is whole, run and past the warm-up."
    known = material.drifts.filter(pl.col("metric") == metric, pl.col("fresh_level").is_not_null())
    return (
        f"{known.height} of {material.runs['athlete_id'].n_unique()} athletes have responses to adjust with "
        "(adjust = [] works without)."
    )

"""Input of the analyses of a study: the rows of its cohort."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.core.inclusion import Inclusion
from pipeline.study.cohort import cut_to_shared_lengths
from pipeline.study.outcomes import value_of
from pipeline.study.stretches import values
from pipeline.study.study_file import Analysis

#: Designs whose splits are released one by one.
SPLIT_BY_SPLIT = ("trend", "onset")
#: How splits are placed that are released one by one: to so many minutes, and to one of so many parts of the run.
STEP_MIN, STEPS_OF_RUN = 5, 20


@dataclass(frozen=True)
class Material:
    """Rows of the cohort.

    Attributes:
        drifts: rows of `athlete_drift` of the athletes, from all their runs.
        athletes: what groups and covariates may be of each athlete (`pipeline.study.factors.attributes`), covariates
            also as means of blocks (`pipeline.study.blocks`).
        landings: rows of that table, of who was filmed (`pipeline.study.filmed`).
        other_splits: rows of `splits` of the other sensor's store, for agreement; None without one.
        least_cell: smallest number of athletes with runs of one length, where runs are released split by split.
    """

    runs: pl.DataFrame
    splits: pl.DataFrame
    drifts: pl.DataFrame
    run_drifts: pl.DataFrame
    athletes: pl.DataFrame
    landings: pl.DataFrame
    other_splits: pl.DataFrame | None
    inclusion: Inclusion
    seed: int
    least_cell: int = 1

    @property
    def split_km(self) -> float:
        """Length of a split [km]."""
        return self.inclusion.split_length_m / 1000

    def values(self, analysis: Analysis) -> pl.DataFrame:
        """The splits of an analysis of one metric as `pipeline.study.stretches.values` gives them.

        Where they are released one by one, ends of runs by which a run could be recognised are cut off, and moving time
        and share of the run are rounded.

        Raises:
            NothingDone: none is left; the message has the counts.
        """
        metric = analysis.metric
        rows = values(self.splits, self.drifts, metric, adjust=analysis.adjust, inclusion=self.inclusion)
        if analysis.speed_m_s is not None:
            rows = rows.filter(pl.col("speed_m_s").is_between(*analysis.speed_m_s))
        if analysis.early_tags:
            rows = rows.join(self.runs.select("run_id", "tags"), on="run_id", how="left", maintain_order="left")
        if rows.is_empty():
            recorded = self.splits.filter(value_of(metric).is_not_null())["run_id"].n_unique()
            raise NothingDone(
                f"{analysis.name}: {analysis.label} cannot be used. Of "
                f"{self.splits['run_id'].n_unique()} runs of the cohort {recorded} recorded it; "
                + _without_estimate(self, analysis)
            )
        if analysis.design in SPLIT_BY_SPLIT:
            rows = cut_to_shared_lengths(rows, "to_km", self.least_cell)
            if self.least_cell > 1:
                rows = rows.with_columns(
                    moved_min=(pl.col("moved_min") / STEP_MIN).round() * STEP_MIN,
                    share=(pl.col("share") * STEPS_OF_RUN).round() / STEPS_OF_RUN,
                )
        return rows

    def sensor_pairs(self, analysis: Analysis) -> pl.DataFrame:
        """Splits that both stores have, in order of run and number.

        Returns:
            `athlete_id`, `run_id`, `km`, `here`, `there`: the metric in its unit.

        Raises:
            NothingDone: there is no other store.
        """
        if self.other_splits is None:
            raise NothingDone(
                f"{analysis.name}: agreement takes a second store of the same runs, made with the other sensor "
                "(sensor_preference): --against STORE."
            )
        used = pl.col(analysis.metric) > 0
        other_splits = self.other_splits.filter(used).select("run_id", "km", there=analysis.metric)
        both = self.splits.filter(used).join(other_splits, on=["run_id", "km"], how="inner")
        rows = both.select("athlete_id", "run_id", "km", "there", here=analysis.metric).sort("run_id", "km")
        return cut_to_shared_lengths(rows, "km", self.least_cell)

    def levels(self, analysis: Analysis) -> pl.DataFrame:
        """Fresh level and drift of each run in the metric, in order of runs.

        Returns:
            `athlete_id`, `run_id`, `level` in the metric's unit, `drift_pct` per 10 km, `shared_se_pct`: the part of
            its standard error that the athlete's runs share.
        """
        rows = self.run_drifts.filter(pl.col("metric") == analysis.metric).sort("run_id")
        shared = pl.col("response_se_pct_per_10km").fill_null(0.0)
        return rows.select(
            "athlete_id", "run_id", level="fresh_level", drift_pct="drift_pct_per_10km", shared_se_pct=shared
        )


def _without_estimate(material: Material, analysis: Analysis) -> str:
    if not analysis.adjust:
        at_speed = (
            "" if analysis.speed_m_s is None else " at a speed between {:g} and {:g} m/s".format(*analysis.speed_m_s)
        )
        return f"none of their splits is whole, run and past the warm-up{at_speed}."
    known = material.drifts.filter(pl.col("metric") == analysis.metric, pl.col("fresh_level").is_not_null())
    return (
        f"{known.height} of {material.runs['athlete_id'].n_unique()} athletes have responses to adjust with "
        "(adjust = [] works without)."
    )

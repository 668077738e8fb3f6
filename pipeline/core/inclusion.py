"""Which splits, runs and athletes enter the regressions: one rule, made once from the settings."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.metrics import BUILT_IN, Registry


@dataclass(frozen=True)
class Inclusion:
    """The rule of inclusion.

    Attributes:
        split_length_m: length of a whole split [m].
        warm_up_m: splits that begin before this distance do not enter [m].
        min_run_share: splits with a smaller share of running do not enter.
        min_length_share: splits shorter than this share of `split_length_m` do not enter.
        min_splits_of_run: runs with fewer splits left do not enter.
        min_runs: athletes with fewer runs left have no estimate.
        min_measured_share: splits with a reading for a smaller share of running time do not enter for the metrics that
            rest on it.
        registry: what each metric rests on.
    """

    split_length_m: float
    warm_up_m: float
    min_run_share: float
    min_length_share: float
    min_splits_of_run: int
    min_runs: int
    min_measured_share: float = 0.5
    registry: Registry = BUILT_IN

    def is_whole(self) -> pl.Expr:
        """Whether a split is of full length and begins after the warm-up."""
        return ((pl.col("km") - 1) * self.split_length_m >= self.warm_up_m) & (
            pl.col("length_m") >= self.min_length_share * self.split_length_m
        )

    def usable(self, splits: pl.DataFrame) -> pl.DataFrame:
        """Whole splits that were run, of runs that are not suspect, in order of athlete, run and place."""
        return splits.filter(
            self.is_whole(),
            pl.col("run_share") >= self.min_run_share,
            pl.col("speed_m_s") > 0,
            pl.col("suspicion").is_null(),
        ).sort("athlete_id", "run_id", "km")

    def measured(self, column: str) -> pl.Expr:
        """Whether what a metric rests on was measured for enough of a split's running time."""
        shares = [self.registry.reading_of[one].share_column for one in self.registry.readings_behind(column)]
        # A share that is not known excludes nothing, as in the regressions.
        return ~pl.any_horizontal(
            pl.lit(value=False), *((pl.col(name) < self.min_measured_share).fill_null(value=False) for name in shares)
        )

    def with_known_slope(self, splits: pl.DataFrame) -> pl.DataFrame:
        """Usable splits whose slope is known: what enters, but for the counts that each metric has to reach."""
        return self.usable(splits).filter(has_known_slope())


def has_known_slope() -> pl.Expr:
    """Whether the slope of a split is known, over rows that are grouped by run.

    Where altitude was lost during a run, a hill may have been there: such splits do not enter. A run without any
    altitude enters as level.
    """
    has_slope = pl.col("slope_pct").is_not_null()
    return has_slope | ~has_slope.any().over("run_id")

"""Stage `strikes`: what people saw of feet at points of a course → which part lands first, and whether that changes.

A row in is a foot of a runner at a distance on a date. Its class is what was observed; where none is given it
follows from the foot-strike angle, else from the strike index. A runner seen on both feet has their class if both
agree, else the class `asymmetric`; one seen on one foot has that foot's.

Class and angle are two measures and stay two: the share of rearfoot landings has been seen to rise (Bovalino 2020,
doi 10.1016/j.jsams.2019.12.018) where the mean angle fell (Meyer 2021, Prigent 2022). Both are reported. Nothing is
inferred from a watch. Walking is no class here: who walks past is not to be listed.

Runs `sql/strike_counts.sql` and `sql/strike_shift.sql`; the statistics are in `pipeline/methods/paired_classes.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.published import all_numbers
from pipeline.core.queries import run_query
from pipeline.methods.paired_classes import mcnemar_exact, paired_change, wilson
from pipeline.tables.observed import ASYMMETRIC, COMPARED, FOREFOOT, MIDFOOT, REARFOOT, STRIKES


@dataclass(frozen=True)
class AngleThresholds:
    """Where the classes meet on the foot-strike angle: at contact, less that in quiet standing; heel down first is > 0.

    Attributes:
        rearfoot_above_deg: larger angles are rearfoot [degrees].
        forefoot_below_deg: smaller angles are forefoot [degrees].
    """

    rearfoot_above_deg: float
    forefoot_below_deg: float


#: The sets of thresholds that the setting `strike_angle_thresholds` chooses from, by the works that they are from.
ANGLE_THRESHOLDS: Mapping[str, AngleThresholds] = {
    work: AngleThresholds(*(all_numbers()[f"{work}.{name}"].printed for name in ("rearfoot_above", "forefoot_below")))
    for work in ("altman-davis-2012", "mo-2021")
}

#: Strike index: first centre of pressure, from the heel, in percent of the foot's length. Thirds of the foot, by
#: Cavanagh and Lafortune 1980, J Biomech 13:397-406, as later papers restate them.
REARFOOT_UP_TO_PCT, MIDFOOT_UP_TO_PCT = 100 / 3, 200 / 3


def strike_counts(strikes: pl.DataFrame, *, strike_angle_thresholds: str) -> pl.DataFrame:
    """Count the classes at each distance of an event, and at each distance of an athlete over all dates.

    Args:
        strikes: one foot per row: `athlete_id`, `date`, `distance_km`, `foot`, `strike`, `angle_deg`,
            `strike_index_pct`.
        strike_angle_thresholds: name in `ANGLE_THRESHOLDS` of those that make a class of an angle.

    Returns:
        Rows of `strike_counts`: all four classes wherever a landing was seen, with Wilson's 95 % interval of the share.
    """
    counts = run_query("strike_counts", {"landings": _landings(strikes, ANGLE_THRESHOLDS[strike_angle_thresholds])})
    if counts.is_empty():
        return counts.with_columns(low=pl.lit(None, pl.Float64), high=pl.lit(None, pl.Float64))
    low, high = wilson(counts["n"].to_numpy(), counts["n_seen"].to_numpy())
    return counts.with_columns(low=pl.Series(low), high=pl.Series(high))


def strike_shift(strikes: pl.DataFrame, *, strike_angle_thresholds: str) -> pl.DataFrame:
    """Test for every two distances of an event whether the same runners landed otherwise at the later one.

    Only runners seen at both distances count; two distances without any have no row. Events are not pooled: a runner
    who was in two of them would count twice.

    Args:
        strikes: as for `strike_counts`.
        strike_angle_thresholds: name in `ANGLE_THRESHOLDS` of those that make a class of an angle.

    Returns:
        Rows of `strike_shift`: for each two distances one row for all classes (exact test where no more than two
        occur, else Bowker's), one for rearfoot against all others.
    """
    tables = run_query("strike_shift", {"landings": _landings(strikes, ANGLE_THRESHOLDS[strike_angle_thresholds])})
    return pl.DataFrame(
        [row | tested for row in tables.iter_rows(named=True) for tested in _tests(row)],
        schema={**tables.schema, **_TEST_COLUMNS},
    )


_TEST_COLUMNS = {
    "compared": pl.String,
    "statistic": pl.Float64,
    "degrees_of_freedom": pl.Int64,
    "p_value": pl.Float64,
    "method": pl.String,
}


def _tests(row: Mapping[str, int]) -> list[dict[str, object]]:
    everything = np.array([[row[f"n_{early}_to_{late}"] for late in STRIKES] for early in STRIKES])
    two = [[row[f"n_{early}_to_{late}"] for late in (REARFOOT, "other")] for early in (REARFOOT, "other")]
    outcomes = zip(COMPARED, (paired_change(everything), mcnemar_exact(two)), strict=True)
    return [{"compared": compared, **outcome._asdict()} for compared, outcome in outcomes]


def _landings(strikes: pl.DataFrame, thresholds: AngleThresholds) -> pl.DataFrame:
    """One row per runner, distance and date: class, mean angle of the feet, whether one foot only was seen."""
    return (
        strikes.with_columns(strike=_class_of_foot(thresholds), distance_km=pl.col("distance_km").round(3))
        .group_by("date", "athlete_id", "distance_km")
        .agg(
            strike=pl.when(pl.col("strike").n_unique() == 1)
            .then(pl.col("strike").first())
            .otherwise(pl.lit(ASYMMETRIC)),
            angle_deg=pl.col("angle_deg").mean(),
            is_one_foot=pl.col("foot").n_unique() == 1,
        )
        .sort("date", "athlete_id", "distance_km")
    )


def _class_of_foot(thresholds: AngleThresholds) -> pl.Expr:
    """What was observed; else by the angle; else by the index."""
    angle, index = pl.col("angle_deg"), pl.col("strike_index_pct")
    return (
        pl.when(pl.col("strike").is_not_null())
        .then(pl.col("strike"))
        .when(angle > thresholds.rearfoot_above_deg)
        .then(pl.lit(REARFOOT))
        .when(angle < thresholds.forefoot_below_deg)
        .then(pl.lit(FOREFOOT))
        .when(angle.is_not_null())
        .then(pl.lit(MIDFOOT))
        .when(index <= REARFOOT_UP_TO_PCT)
        .then(pl.lit(REARFOOT))
        .when(index <= MIDFOOT_UP_TO_PCT)
        .then(pl.lit(MIDFOOT))
        .otherwise(pl.lit(FOREFOOT))
    )

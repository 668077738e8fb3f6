"""Stage `strikes`: what people saw of feet at points of a course → which part lands first, and whether that changes.

A row in is a foot of a runner at a distance on a date, or of a group of runners who landed alike. Its class is what was
observed; where none is given it follows from the foot-strike angle, else from the strike index. A runner seen on both
feet has their class if both agree, else the class `asymmetric`; one seen on one foot has that foot's. Where two raters
saw the same foot, the class of the one who saw most feet counts.

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
from pipeline.tables import empty
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


#: A landing with a start is of the run that began within this time of it, as a line of sessions.csv is.
SAME_START_MIN = 5
ONE_FOOT = "one"


def landings(
    strikes: pl.DataFrame, runs: pl.DataFrame, splits: pl.DataFrame, *, strike_angle_thresholds: str
) -> pl.DataFrame:
    """Give each foot that was seen its class, and the kilometre of the run that it was seen in.

    Args:
        strikes: one foot per row and rater, as the inbox reads strikes.csv.
        runs: rows of `runs`.
        splits: rows of `splits`.
        strike_angle_thresholds: name in `ANGLE_THRESHOLDS` of those that make a class of an angle.

    Returns:
        Rows of `landings`. A date with several runs of the athlete, none of them at the start that the row gives, is of
        none: whose kilometre it was is not known.
    """
    if strikes.is_empty():
        return empty("landings")
    feet = strikes.with_columns(
        strike=_class_of_foot(ANGLE_THRESHOLDS[strike_angle_thresholds]),
        distance_km=pl.col("distance_km").round(3),
        foot=pl.col("foot").fill_null(ONE_FOOT),
        rater=pl.col("rater").fill_null(""),
    )
    saw_most = pl.col("rater").sort_by("n_of_rater", "rater", descending=[True, False]).first()
    counted = feet.with_columns(n_of_rater=pl.len().over("rater")).with_columns(
        is_counted=pl.col("rater") == saw_most.over("athlete_id", "date", "distance_km", "foot")
    )
    return (
        _with_kilometre(counted, runs, splits)
        .with_columns(event=pl.col("date").dt.to_string("%Y-%m-%d"))
        .select(
            "event", "athlete_id", "distance_km", "foot", "rater", "is_counted", "strike", "angle_deg",
            "strike_index_pct", "frame_rate_hz", "n_runners", "run_id", "speed_m_s", "slope_pct", "surface",
        )
    )  # fmt: skip


def _with_kilometre(feet: pl.DataFrame, runs: pl.DataFrame, splits: pl.DataFrame) -> pl.DataFrame:
    """Each row with its run, and with speed, slope and surface there."""
    begun = pl.col("run_started")
    is_that = (
        pl.when(pl.col("started_at_utc").is_not_null())
        .then((begun - pl.col("started_at_utc")).abs() <= pl.duration(minutes=SAME_START_MIN))
        .otherwise(pl.coalesce(pl.col("local_date").str.to_date("%Y-%m-%d"), begun.dt.date()) == pl.col("date"))
    )
    started = runs.select(
        "athlete_id", "run_id", "local_date", "surface",
        run_started=pl.col("started_at_utc").cast(pl.Datetime("us", "UTC")),
    )  # fmt: skip
    when = ["athlete_id", "date", "started_at_utc"]
    # Which of several runs it was is not known.
    is_only = pl.len().over(when) == 1
    of_run = feet.select(when).unique().join(started, on="athlete_id").filter(is_that).filter(is_only)
    matched = feet.join(of_run.select(*when, "run_id", "surface"), on=when, how="left", nulls_equal=True)
    ends = splits.sort("run_id", "km").select(
        "run_id", "speed_m_s", "slope_pct", end_m=pl.col("length_m").cum_sum().over("run_id")
    )
    return (
        matched.with_columns(end_m=pl.col("distance_km") * 1000)
        .sort("end_m")
        .join_asof(ends.sort("end_m"), on="end_m", by="run_id", strategy="forward", check_sortedness=False)
    )


def runners_seen(landings: pl.DataFrame) -> pl.DataFrame:
    """What `strike_counts` takes of rows of `landings`: not counts, since a mean angle rests on the order of angles."""
    return of_runners(landings).drop("run_id", "speed_m_s", "slope_pct", "surface")


def strike_counts(runners: pl.DataFrame) -> pl.DataFrame:
    """Count the classes at each distance of an event, and at each distance of an athlete over all dates.

    Args:
        runners: rows of `runners_seen`, those of several parts of a club one after the other.

    Returns:
        Rows of `strike_counts`: all four classes wherever a landing was seen, with Wilson's 95 % interval of the share.
    """
    if runners.is_empty():
        return empty("strike_counts")
    counts = run_query("strike_counts", {"landings": _each(runners.sort(_PLACE))})
    low, high = wilson(counts["n"].to_numpy(), counts["n_seen"].to_numpy())
    return counts.with_columns(low=pl.Series(low), high=pl.Series(high))


def changes_seen(landings: pl.DataFrame) -> pl.DataFrame:
    """Count the runners seen at two distances of an event by their classes early and late, of rows of `landings`."""
    if landings.is_empty():
        return pl.DataFrame()
    return run_query("strike_shift", {"landings": each_runner(landings)})


def strike_shift(changes: pl.DataFrame) -> pl.DataFrame:
    """Test for every two distances of an event whether the same runners landed otherwise at the later one.

    Only runners seen at both distances count; two distances without any have no row. Events are not pooled: a runner
    who was in two of them would count twice.

    Args:
        changes: rows of `changes_seen`; those of several parts of a club may have the same distances.

    Returns:
        Rows of `strike_shift`: for each two distances one row for all classes (exact test where no more than two
        occur, else Bowker's), one for rearfoot against all others.
    """
    if changes.is_empty():
        return empty("strike_shift")
    distances = ["event", "early_km", "late_km"]
    tables = changes.group_by(distances).sum().sort(distances)
    return pl.DataFrame(
        [row | tested for row in tables.iter_rows(named=True) for tested in _tests(row)],
        schema={**tables.schema, **_TEST_COLUMNS},
    )


def each_runner(landings: pl.DataFrame) -> pl.DataFrame:
    """Rows of `of_runners`, one for each runner of a group, counted in `runner`."""
    return _each(of_runners(landings))


def _each(runners: pl.DataFrame) -> pl.DataFrame:
    return runners.with_columns(runner=pl.int_ranges("n_runners")).explode("runner")


#: Where a runner was seen.
_PLACE = ["event", "athlete_id", "distance_km"]


def of_runners(landings: pl.DataFrame) -> pl.DataFrame:
    """One row per runner (or group), distance and event: class of both feet, mean angle, the kilometre.

    Args:
        landings: rows of `landings`; those that do not count are left out.
    """
    return (
        landings.filter("is_counted")
        .group_by(_PLACE)
        .agg(
            pl.when(pl.col("strike").n_unique() == 1)
            .then(pl.col("strike").first())
            .otherwise(pl.lit(ASYMMETRIC))
            .alias("strike"),
            pl.col("angle_deg").mean(),
            pl.col("n_runners", "run_id", "speed_m_s", "slope_pct", "surface").first(),
            is_one_foot=pl.col("foot").n_unique() == 1,
        )
        .sort(_PLACE)
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

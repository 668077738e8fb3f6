"""Stage `summaries`: the tables of all athletes → what only the whole club can say.

Runs one SELECT per table: `sql/runs.sql` adds what sessions.csv knows, `sql/athlete_drift.sql` corrects the p-values
over athletes and metrics, `sql/season_trend.sql` gathers the runs of a month. Complaints and the other lists are shown
as they were written.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import EXCLUDING_SHARES, SUSPICIONS, left_out
from pipeline.core.queries import run_query
from pipeline.formats.sports import is_ride
from pipeline.methods.corrected_p import adjusted, steps_of
from pipeline.methods.repeatability import between_athletes, repeatability, scatter_of_runs
from pipeline.methods.session_matching import sessions_of_runs
from pipeline.tables import types_of

#: A run that begins within so long of the end of a ride is one off the bike [s], and the clocks of two devices may
#: overlap by so much [s]. Common practice, no source.
AFTER_RIDE_S, RIDE_OVERLAP_S = 1800, 300
#: Of the corrected p-values: one in twenty of what is called a change may be none.
LEVEL = 0.05
#: Runs beyond one per month that estimate how runs scatter inside months; with fewer, the whole season does. Common
#: practice, no source.
LEAST_DF = 3


def runs(
    measured: pl.DataFrame,
    splits: pl.DataFrame,
    sessions: pl.DataFrame,
    recordings: pl.DataFrame,
    *,
    time_zone: str = "",
) -> pl.DataFrame:
    """Join what was measured of each run with its totals, what sessions.csv says of it, and the ride before it.

    Args:
        measured: one row per run: identity, start, pause, device, sensors, altitude, tags, and `file`, its path.
        splits: rows of `splits`.
        sessions: rows of `sessions.csv`, with their line.
        recordings: rows of `recordings`, for sessions of other sports and duplicates.
        time_zone: where the runs are; empty where it is not known.

    Returns:
        Rows of `runs`.
    """
    words = [sport for sport in recordings["sport"].drop_nulls().unique().to_list() if is_ride(sport)]
    rides = recordings.filter(
        pl.col("status") == "not_running", pl.col("sport").is_in(words), pl.col("started_at_utc").is_not_null()
    )
    described = sessions_of_runs(measured, recordings, sessions).filter(pl.col("is_used"))
    tables = {
        "measured": measured,
        "splits": splits.select("run_id", "length_m", "moving_s", "climb_m"),
        "described": described.join(sessions, on="line").select("run_id", "line", "kind", "surface", "shoe_id"),
        "rides": rides.select("path", "session", "athlete_id", "started_at_utc", "ended_at_utc", "distance_km"),
    }
    rows = run_query("runs", tables, {"after_ride_s": AFTER_RIDE_S, "overlap_s": RIDE_OVERLAP_S})
    if not time_zone:
        return rows.with_columns(local_date=pl.lit(None, pl.String))
    started = pl.col("started_at_utc").cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(time_zone)
    return rows.with_columns(local_date=started.dt.strftime("%Y-%m-%d"))


def athlete_drift(
    drifts: pl.DataFrame,
    run_drifts: pl.DataFrame,
    quality: pl.DataFrame | None = None,
    *,
    smallest_change_pct: Mapping[str, float],
    max_collinearity: float,
    usual_distance_margin: float,
    max_late_exclusion_excess: float,
    registry: Registry = BUILT_IN,
    in_common: Mapping[str, pl.DataFrame] | None = None,
) -> pl.DataFrame:
    """Correct the p-values of all athletes and metrics together, and draw the conclusions.

    Args:
        drifts: rows of `athlete_drift`, as the stage `drift` gives them.
        run_drifts: rows of `run_drift`.
        quality: rows of `quality`; None to suspect no reading. A metric whose reading was excluded gets a row that says
            so also where nothing is left of it.
        smallest_change_pct: smallest change of interest of each metric [% per 10 km].
        max_collinearity: share of distance that speed and slope may explain.
        usual_distance_margin: smallest change of interest over the usual distance, in multiples of that per 10 km.
        max_late_exclusion_excess: where more late than early splits are left out, by this share, no metric holds.
        registry: the quantities in force.
        in_common: what `drifts_in_common` says of the whole club; None where the rows are of the whole club.

    Returns:
        Rows of `athlete_drift`; `q_value` is null where there is no p-value.
    """
    own = drifts_of_athletes(drifts, run_drifts)
    in_common = in_common or drifts_in_common(own, registry=registry)
    rows_of_quality = quality if quality is not None else pl.DataFrame(schema=types_of("quality"))
    suspected = suspected_metrics(rows_of_quality, registry)
    tables = {
        "athlete_drift": _with_missing(drifts, suspected),
        "suspected": suspected,
        "left_out": left_out_runs(rows_of_quality),
        "repeatability": repeatability(own.drop_nulls("n"), in_common["between"]),
        "adjusted": _adjusted(own, in_common["steps"], registry),
        "smallest_change": pl.DataFrame(
            list(smallest_change_pct.items()),
            schema={"metric": pl.String, "smallest_change_pct": pl.Float64},
            orient="row",
        ),
    }
    parameters = {
        "level": LEVEL,
        "max_collinearity": max_collinearity,
        "usual_distance_margin": usual_distance_margin,
        "max_late_exclusion_excess": max_late_exclusion_excess,
    }
    return run_query("athlete_drift", tables, parameters)


def drifts_of_athletes(drifts: pl.DataFrame, run_drifts: pl.DataFrame, *_: pl.DataFrame | None) -> pl.DataFrame:
    """What the whole club has to know of each athlete and metric: the p-value, and how the drifts of the runs lie."""
    p_values = drifts.select("athlete_id", "metric", "p_value")
    return p_values.join(scatter_of_runs(run_drifts), on=["athlete_id", "metric"], how="full", coalesce=True)


def drifts_in_common(athletes: pl.DataFrame, *, registry: Registry) -> dict[str, pl.DataFrame]:
    """What the conclusions about each athlete need of all.

    What follows by arithmetic from measured metrics would count the same fact twice, and heart rate rises in all: the
    p-values of each family are corrected apart.

    Args:
        athletes: rows of `drifts_of_athletes` of the whole club.

    Returns:
        As `steps` where the corrected p-values of each family step up; as `between` how athletes differ.
    """
    steps = [
        pl.DataFrame(dict(zip(("p_value", "q_value"), steps_of(own["p_value"].to_numpy()), strict=True))).select(
            pl.lit(family).alias("family"), "p_value", "q_value"
        )
        for (family,), own in _with_family(athletes, registry).group_by("family")
    ]
    nothing = pl.DataFrame(schema={"family": pl.String, "p_value": pl.Float64, "q_value": pl.Float64})
    return {"steps": pl.concat([nothing, *steps]), "between": between_athletes(athletes.drop_nulls("n"))}


def _with_family(athletes: pl.DataFrame, registry: Registry) -> pl.DataFrame:
    """The rows with a p-value, with the family that it is corrected in."""
    families = [(metric.column, metric.family) for metric in registry.metrics]
    named = pl.DataFrame(families, {"metric": pl.String, "family": pl.String}, orient="row")
    return athletes.drop_nulls("p_value").join(named, on="metric")


def _adjusted(athletes: pl.DataFrame, steps: pl.DataFrame, registry: Registry) -> pl.DataFrame:
    """The corrected p-value of each athlete and metric."""
    by_family = steps.partition_by("family", as_dict=True)
    rows = [
        own.select(
            "athlete_id",
            "metric",
            q_value=pl.Series(
                adjusted(
                    own["p_value"].to_numpy(),
                    (by_family[family,]["p_value"].to_numpy(), by_family[family,]["q_value"].to_numpy()),
                )
            ),
        )
        for (family,), own in _with_family(athletes, registry).group_by("family")
    ]
    schema = {"athlete_id": pl.String, "metric": pl.String, "q_value": pl.Float64}
    return pl.concat([pl.DataFrame(schema=schema), *rows])


#: Of the samples of a run that had the reading: where more were excluded, the run counts as without it.
MOSTLY_EXCLUDED = 0.5
#: The share of an athlete's runs from which on it is said next to the findings. Both: common practice, no source.
WORTH_SAYING = 0.1


def suspected_metrics(quality: pl.DataFrame, registry: Registry = BUILT_IN) -> pl.DataFrame:
    """The metrics of athletes for which readings were excluded in whole runs or large parts of them, and why.

    Args:
        quality: rows of `quality`.
        registry: the quantities in force.

    Returns:
        `athlete_id`, `metric`, `suspicion` (the one of most of these runs), `missing_because`, in words, and
        `missing_reason`, as one of `reasons`. Of a metric that rests on several readings the one that was excluded in
        most runs.
    """
    excluded = pl.sum_horizontal(EXCLUDING_SHARES)
    behind = pl.DataFrame(
        [
            (metric.column, reading)
            for metric in registry.metrics
            for reading in registry.readings_behind(metric.column)
        ],
        schema={"metric": pl.String, "quantity": pl.String},
        orient="row",
    )
    is_excluded = (excluded >= MOSTLY_EXCLUDED * (excluded + pl.col("measured_share"))) & pl.col(
        "suspicion"
    ).is_not_null()
    of_reading = (
        quality.filter(pl.col("quantity").is_in(list(registry.reading_of)), excluded + pl.col("measured_share") > 0)
        .group_by("athlete_id", "quantity")
        .agg(
            n_runs=pl.len(),
            n_excluded=is_excluded.sum(),
            suspicion=pl.col("suspicion").filter(is_excluded).mode().sort().first(),
        )
        .filter(pl.col("n_excluded") > 0, pl.col("n_excluded") >= WORTH_SAYING * pl.col("n_runs"))
    )
    labels = {column: reading.label for column, reading in registry.reading_of.items()}
    meaning = {name: suspicion.words for name, suspicion in SUSPICIONS.items()}
    return (
        of_reading.join(behind, on="quantity")
        .sort("athlete_id", "metric", "n_excluded", "quantity", descending=[False, False, True, False])
        .unique(("athlete_id", "metric"), keep="first", maintain_order=True)
        .select(
            "athlete_id",
            "metric",
            "suspicion",
            is_own=pl.col("metric") == pl.col("quantity"),
            missing_because=pl.format(
                "{} excluded in {} of {} runs: {}",
                pl.col("quantity").replace_strict(labels, return_dtype=pl.String),
                "n_excluded",
                "n_runs",
                pl.col("suspicion").replace_strict(meaning, return_dtype=pl.String),
            ),
            missing_reason=pl.struct(
                kind=pl.lit("excluded"),
                metric="quantity",
                n="n_excluded",
                n_runs="n_runs",
                suspicion="suspicion",
            ).struct.json_encode(),
        )
    )


def left_out_runs(quality: pl.DataFrame) -> pl.DataFrame:
    """The athletes with runs of which no split entered, and why.

    Args:
        quality: rows of `quality`.

    Returns:
        `athlete_id`, `suspicion` (the one of most of these runs), `left_out_because`, in words, and `left_out_reason`,
        as one of `reasons`.
    """
    is_left_out = pl.col("suspicion").is_in(left_out())
    of_athlete = (
        quality.group_by("athlete_id")
        .agg(
            n_runs=pl.col("run_id").n_unique(),
            n_left_out=pl.col("run_id").filter(is_left_out).n_unique(),
            suspicion=pl.col("suspicion").filter(is_left_out).mode().sort().first(),
        )
        .filter(pl.col("n_left_out") > 0, pl.col("n_left_out") >= WORTH_SAYING * pl.col("n_runs"))
    )
    meaning = {name: suspicion.words for name, suspicion in SUSPICIONS.items()}
    words = pl.col("suspicion").replace_strict(meaning, return_dtype=pl.String)
    return of_athlete.select(
        "athlete_id",
        "suspicion",
        left_out_because=pl.format("{} of {} runs: {}", "n_left_out", "n_runs", words),
        left_out_reason=pl.struct(
            kind=pl.lit("left_out"), n="n_left_out", n_runs="n_runs", suspicion="suspicion"
        ).struct.json_encode(),
    )


def _with_missing(drifts: pl.DataFrame, suspected: pl.DataFrame) -> pl.DataFrame:
    """The rows of athletes and metrics, with one for each reading of which nothing is left."""
    missing = suspected.filter("is_own").join(drifts, on=("athlete_id", "metric"), how="anti")
    names = missing.select("athlete_id", "metric", n_runs=pl.lit(0, pl.Int64), n_splits=pl.lit(0, pl.Int64))
    return pl.concat([drifts, names], how="diagonal")


def complaints(listed: pl.DataFrame) -> pl.DataFrame:
    """The complaints as they were written.

    Args:
        listed: rows of `complaints.csv`, with their line.

    Returns:
        Rows of `complaints`.
    """
    return listed


def lists(
    roster: pl.DataFrame, shoes: pl.DataFrame, sessions: pl.DataFrame, events: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The other lists as they were read, to be joined with the tables.

    Returns:
        Rows of `roster`, `shoes`, `sessions` and `events`.
    """
    return roster, shoes, sessions, events


def season_trend(run_drifts: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Mean drift of each athlete, metric and month.

    Args:
        run_drifts: rows of `run_drift`; runs without an error of their own do not enter.
        runs: rows of `runs`; `run_id` and `started_at_utc` are read.

    Returns:
        Rows of `season_trend`.
    """
    columns = ("run_id", "athlete_id", "metric", "drift_pct_per_10km")
    df = np.arange(1, max(runs.height, 1) + 1)
    tables = {
        "run_drift": run_drifts.select(*columns, "within_run_se_pct_per_10km", "response_se_pct_per_10km"),
        "runs": runs.select("run_id", "started_at_utc"),
        "student_t": pl.DataFrame({"df": df, "quantile": special.stdtrit(df, 0.975)}),
    }
    return run_query("season_trend", tables, {"least_df": LEAST_DF})

"""Stage `summaries`: the tables of all athletes → what only the whole club can say.

Runs one SELECT a table: `sql/runs.sql` adds what sessions.csv knows, `sql/athlete_drift.sql` corrects the p-values over
athletes and metrics, `sql/season_trend.sql` gathers the runs of a month. Complaints and the other lists
are shown as they were written.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.metrics import METRICS
from pipeline.core.queries import run_query
from pipeline.formats.sports import is_ride
from pipeline.methods.repeatability import repeatability
from pipeline.methods.session_matching import sessions_of_runs

#: A run that begins within so long of the end of a ride is one off the bike [s], and the clocks of two devices may
#: overlap by so much [s]. Common practice, no source.
AFTER_RIDE_S, RIDE_OVERLAP_S = 1800, 300
#: Of the corrected p-values: one in twenty of what is called a change may be none.
LEVEL = 0.05
#: Runs beyond one a month that tell how runs scatter inside months; with fewer, the season tells. Common practice, no
#: source.
LEAST_FREEDOM = 3


def runs(
    measured: pl.DataFrame, splits: pl.DataFrame, sessions: pl.DataFrame, recordings: pl.DataFrame
) -> pl.DataFrame:
    """Join what was measured of each run with its totals, what sessions.csv says of it, and the ride before it.

    Args:
        measured: a row a run: identity, start, pause, device, sensors, altitude, tags, and `file`, its path.
        splits: rows of `splits`.
        sessions: rows of `sessions.csv`, with their line.
        recordings: rows of `recordings`, for sessions of other sports.

    Returns:
        Rows of `runs`.
    """
    words = [sport for sport in recordings["sport"].drop_nulls().unique().to_list() if is_ride(sport)]
    rides = recordings.filter(
        pl.col("status") == "not_running", pl.col("sport").is_in(words), pl.col("started_at_utc").is_not_null()
    )
    described = sessions_of_runs(measured, sessions).filter(pl.col("is_used"))
    tables = {
        "measured": measured,
        "splits": splits,
        "described": described.join(sessions, on="line").select("run_id", "kind", "surface", "shoe_id"),
        "rides": rides.select("path", "session", "athlete_id", "started_at_utc", "ended_at_utc", "distance_km"),
    }
    return run_query("runs", tables, {"after_ride_s": AFTER_RIDE_S, "overlap_s": RIDE_OVERLAP_S})


def athlete_drift(
    drifts: pl.DataFrame,
    run_drifts: pl.DataFrame,
    *,
    smallest_change_pct: Mapping[str, float],
    max_collinearity: float,
    usual_distance_margin: float,
    max_late_exclusion_excess: float,
) -> pl.DataFrame:
    """Correct the p-values of all athletes and metrics together, and draw the conclusions.

    Args:
        drifts: rows of `athlete_drift` of the whole club, as the stage `drift` gives them.
        run_drifts: rows of `run_drift` of the whole club.
        smallest_change_pct: smallest change of interest of each metric [% per 10 km].
        max_collinearity: share of distance that speed and slope may explain.
        usual_distance_margin: smallest change of interest over the usual distance, in multiples of that per 10 km.
        max_late_exclusion_excess: where more late than early splits are left out, by this share, no metric holds.

    Returns:
        Rows of `athlete_drift`; `q_value` is null where there is no p-value.
    """
    tables = {
        "athlete_drift": drifts,
        "repeatability": repeatability(run_drifts),
        "smallest_change": pl.DataFrame(
            list(smallest_change_pct.items()),
            schema={"metric": pl.String, "smallest_change_pct": pl.Float64},
            orient="row",
        ),
        "families": pl.DataFrame(
            {"metric": [metric.column for metric in METRICS], "family": [metric.family for metric in METRICS]}
        ),
    }
    parameters = {
        "level": LEVEL,
        "max_collinearity": max_collinearity,
        "usual_distance_margin": usual_distance_margin,
        "max_late_exclusion_excess": max_late_exclusion_excess,
    }
    return run_query("athlete_drift", tables, parameters)


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
    """The other lists as they were read, for whoever joins them with the tables.

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
        "student_t": pl.DataFrame({"freedom": df, "quantile": special.stdtrit(df, 0.975)}),
    }
    return run_query("season_trend", tables, {"least_freedom": LEAST_FREEDOM})

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

from pipeline.core.metrics import METRICS
from pipeline.core.queries import run_query
from pipeline.methods.repeatability import repeatability

#: Of the corrected p-values: one in twenty of what is called a change may be none.
LEVEL = 0.05
#: A line of sessions.csv without a file is of the run that began within so long of it [s]. Common practice, no source.
SAME_START_S = 300
#: Runs beyond one per month that estimate how runs scatter inside months; with fewer, the whole season does. Common
#: practice, no source.
LEAST_FREEDOM = 3


def runs(measured: pl.DataFrame, splits: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """Join what was measured of each run with its totals and with what sessions.csv says of it.

    Args:
        measured: one row per run: identity, start, pause, device, sensors, altitude, and `file`, its path in the inbox.
        splits: rows of `splits`.
        sessions: rows of `sessions.csv`, with their line.

    Returns:
        Rows of `runs`.
    """
    tables = {"measured": measured, "splits": splits, "sessions": sessions}
    return run_query("runs", tables, {"same_start_s": SAME_START_S})


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
        "student_t": pl.DataFrame({"freedom": df, "quantile": special.stdtrit(df, 0.975)}),
    }
    return run_query("season_trend", tables, {"least_freedom": LEAST_FREEDOM})

"""Stage `before_after`: levels and drifts of runs, and events → the runs after each event against those before.

Rows in: run_drift, runs, events and complaints. Rows out: one per athlete, metric and event.

Events are the lines of events.csv, the first run in a shoe, the first day of a complaint, and the first day of a year.
The runs of the eight weeks before an event are compared with those of the eight weeks that it begins, the day itself
among them; of a year, all its runs with all those of the year before. The differences of level and drift, and their
intervals, are those of the stage `contrasts`.

What it cannot separate: whatever else changed at the time, the season with it. `n_other_events` says how many other
events of the athlete lie in these weeks.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.stages.contrasts import FEWEST_RUNS_PER_SIDE, NOTE, difference_of_drifts, difference_of_levels
from pipeline.tables import types_of

#: How far before and after an event runs are compared. Common practice, no source.
WINDOW = timedelta(weeks=8)
#: The day of a run, where it began if that is known.
_DAY = pl.coalesce(pl.col("local_date").str.to_date(), pl.col("started_at_utc").dt.date())
NEW_SHOE, COMPLAINT, YEAR = "new_shoe", "complaint", "year"


def before_after(
    run_drifts: pl.DataFrame, runs: pl.DataFrame, events: pl.DataFrame, complaints: pl.DataFrame
) -> pl.DataFrame:
    """Compare the levels and the drifts of an athlete's runs before and after each event.

    Args:
        run_drifts: rows of `run_drift` as the stage `drift` gives them, with `level_shared` and `drift_shared`.
        runs: rows of `runs`.
        events: rows of `events`.
        complaints: rows of `complaints`.

    Returns:
        Rows of `before_after`; none where either side has fewer than three runs.
    """
    happened = events_of(runs, events, complaints)
    dated = runs.select("run_id", day=_DAY)
    entered = run_drifts.join(dated, on="run_id").sort("run_id")
    rows: list[dict[str, object]] = []
    for own in entered.partition_by("athlete_id", "metric", maintain_order=True):
        athlete_id, metric, days = own["athlete_id"][0], own["metric"][0], own["day"].to_numpy()
        for event in happened.get(str(athlete_id), ()):
            # Most events have too few runs on a side, and cost no more than to be counted.
            are = [(days >= np.datetime64(first)) & (days < np.datetime64(end)) for first, end in sides(event)]
            if min(map(np.count_nonzero, are)) >= FEWEST_RUNS_PER_SIDE:
                before, after = (own.filter(pl.Series(side)) for side in are)
                means = (float(side["fresh_level"].log().mean()) for side in (before, after))  # type: ignore[arg-type]
                level_before, level_after = pl.Series(means).exp()
                rows.append(
                    {
                        **event, "athlete_id": athlete_id, "metric": metric, "date": event["day"].isoformat(),
                        "n_runs_before": before.height, "n_runs_after": after.height,
                        "level_before": level_before, "level_after": level_after,
                        **difference_of_levels(after, before, own.height), **difference_of_drifts(after, before),
                        "note": NOTE,
                    }
                )  # fmt: skip
    return pl.DataFrame(rows, schema=types_of("before_after")).sort("athlete_id", "metric", "event")


def sides(event: Mapping[str, Any]) -> tuple[tuple[date, date], tuple[date, date]]:
    """The days before and after an event: the first, and the first that is no longer in."""
    at = event["day"]
    if event["kind"] == YEAR:
        return (at.replace(year=at.year - 1), at), (at, at.replace(year=at.year + 1))
    return (at - WINDOW, at), (at, at + WINDOW)


def events_of(runs: pl.DataFrame, events: pl.DataFrame, complaints: pl.DataFrame) -> dict[str, list[dict[str, Any]]]:
    """The events of each athlete by date, numbered, with how many others lie in their weeks.

    Args:
        runs: rows of `runs`.
        events: rows of `events`.
        complaints: rows of `complaints`.

    Returns:
        By athlete, of each event `event`, its number, `day`, `kind`, `name` and `n_other_events`.
    """
    runs = runs.select("athlete_id", "shoe_id", day=_DAY)
    shoes = runs.drop_nulls("shoe_id").group_by("athlete_id", name="shoe_id").agg(pl.col("day").min())
    years = runs.select("athlete_id", pl.col("day").dt.truncate("1y")).unique()
    listed = pl.concat(
        [
            events.select("athlete_id", "kind", day=pl.col("date").str.to_date(), name="note"),
            shoes.select("athlete_id", "day", "name", kind=pl.lit(NEW_SHOE)),
            complaints.select("athlete_id", kind=pl.lit(COMPLAINT), day=pl.col("from_date").str.to_date(), name="site"),
            years.select("athlete_id", "day", kind=pl.lit(YEAR), name=pl.col("day").dt.year().cast(pl.String)),
        ],
        how="diagonal_relaxed",
    ).sort("athlete_id", "day", "kind", "name")
    of_athletes: dict[str, list[dict[str, Any]]] = {}
    for (athlete_id,), own in listed.partition_by("athlete_id", as_dict=True, maintain_order=True).items():
        rows = own.with_row_index("event", offset=1).to_dicts()
        days = own.filter(pl.col("kind") != YEAR)["day"]
        for row in rows:
            first, last = sides(row)[0][0], sides(row)[1][1]
            row["n_other_events"] = int(days.is_between(first, last, closed="left").sum()) - (row["kind"] != YEAR)
        of_athletes[str(athlete_id)] = rows
    return of_athletes

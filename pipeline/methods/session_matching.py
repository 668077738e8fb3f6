"""Which run each row of sessions.csv describes."""

from __future__ import annotations

import polars as pl

#: A row without a file is of the run that began within so long of its time [s]. Common practice, no source.
SAME_START_S = 300

#: How closely a row names a run, the closest highest: not its file, a duplicate of it, its file.
_NO_FILE, _DUPLICATE, _OWN_FILE = range(3)


def sessions_of_runs(runs: pl.DataFrame, recordings: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """Find the run of each row of sessions.csv.

    A row that names a file is of its runs, and of those that its recordings are duplicates of; another one is of the
    athlete's run that began nearest to its time, within `SAME_START_S`. Of several rows for one run those that name
    its file come first, then those that name a duplicate of it, and of these the last one is used.

    Args:
        runs: `run_id`, `athlete_id`, `file`, `path`, `started_at_utc`.
        recordings: `run_id`, `status`, `file`, `path` of the ledger, for duplicates.
        sessions: rows of `sessions.csv`, with their line.

    Returns:
        `line`, `run_id`, whether the row `is_used`, and `used_line`, the row that is used of that run. Rows without a
        run are absent.
    """
    duplicates = recordings.filter(pl.col("status") == "duplicate")
    names = pl.concat(
        rows.select("run_id", name=column, names_file=pl.lit(rank))
        for rank, rows in ((_OWN_FILE, runs), (_DUPLICATE, duplicates))
        for column in ("file", "path")
    ).unique(["run_id", "name"], keep="first", maintain_order=True)
    by_file = sessions.drop_nulls("file").join(names, left_on="file", right_on="name")
    dated = sessions.filter(pl.col("file").is_null()).drop_nulls(["athlete_id", "started_at_utc"])
    near = dated.join(runs.select("run_id", "athlete_id", began="started_at_utc"), on="athlete_id")
    near = near.with_columns(apart_s=(pl.col("began") - pl.col("started_at_utc")).dt.total_microseconds().abs() / 1e6)
    near = near.filter(pl.col("apart_s") <= SAME_START_S).sort("line", "apart_s", "run_id")
    by_start = near.unique("line", keep="first", maintain_order=True)
    matches = pl.concat(
        [
            by_file.select("line", "run_id", "names_file"),
            by_start.select("line", "run_id", names_file=pl.lit(_NO_FILE)),
        ]
    ).sort("run_id", "names_file", "line")
    used_line = pl.col("line").last().over("run_id")
    return matches.select("line", "run_id", is_used=pl.col("line") == used_line, used_line=used_line)

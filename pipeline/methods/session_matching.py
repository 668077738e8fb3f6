"""Which run each row of sessions.csv describes."""

from __future__ import annotations

import polars as pl

#: A row without a file is of the run that began within so long of its time [s]. Common practice, no source.
SAME_START_S = 300


def sessions_of_runs(runs: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """Find the run of each row of sessions.csv.

    A row that names a file is of its runs; another one is of the athlete's run that began nearest to its time, within
    `SAME_START_S`. Of several rows for one run those that name the file come first, and of these the last one is used.

    Args:
        runs: `run_id`, `athlete_id`, `file`, `path`, `started_at_utc`.
        sessions: rows of `sessions.csv`, with their line.

    Returns:
        `line`, `run_id`, whether the row `is_used`, and `used_line`, the row that is used of that run. Rows without a
        run are absent.
    """
    names = pl.concat([runs.select("run_id", name=column) for column in ("file", "path")]).unique()
    by_file = sessions.drop_nulls("file").join(names, left_on="file", right_on="name")
    dated = sessions.filter(pl.col("file").is_null()).drop_nulls(["athlete_id", "started_at_utc"])
    near = dated.join(runs.select("run_id", "athlete_id", began="started_at_utc"), on="athlete_id")
    near = near.with_columns(apart_s=(pl.col("began") - pl.col("started_at_utc")).dt.total_microseconds().abs() / 1e6)
    near = near.filter(pl.col("apart_s") <= SAME_START_S).sort("line", "apart_s", "run_id")
    by_start = near.unique("line", keep="first", maintain_order=True)
    matches = pl.concat(
        [
            by_file.select("line", "run_id", names_file=pl.lit(value=True)),
            by_start.select("line", "run_id", names_file=pl.lit(value=False)),
        ]
    ).sort("run_id", "names_file", "line")
    used_line = pl.col("line").last().over("run_id")
    return matches.select("line", "run_id", is_used=pl.col("line") == used_line, used_line=used_line)

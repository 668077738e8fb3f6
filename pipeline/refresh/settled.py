"""Which runs the club's responses are drawn from: those before a day that moves on when the club has a fifth more runs.

Every athlete's drift rests on what the club's responses have in common. Were these drawn from all runs, each new run
would move them, and with them the published numbers of everyone. So those of a large club are drawn from the runs
before a day. It follows from the dates of all runs, not from when they came in: a refresh of everything finds the same.
A run after that day leaves it where it is; one that comes in late, with an earlier date, or goes, may move it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, date, datetime, time

import polars as pl

#: The day moves on so often until the club has twice as many runs: with every fifth more. Common practice, no source.
STEPS_OF_DOUBLING = 4
#: Fewer runs all enter: each tells something, and everyone is soon recomputed. Common practice, no source.
FEWEST_RUNS = 256
#: A smaller share of the runs is no basis: all of them are. Common practice, no source.
FEWEST_SHARE = 0.5


def settled_until(sections: Iterable[pl.DataFrame]) -> date | None:
    """The day before which the runs began that the club's responses are drawn from.

    Of n runs in the order of time it is the day of the m-th, with m the largest of 1, 2^(1/4), 2^(1/2), ... up to n. So
    five sixths of all runs began before it or on it. Where less than half began before it, all runs enter.

    Args:
        sections: `started_at_utc` of the runs of each section of the club.

    Returns:
        The day, by UTC; None for all runs, as of clubs with fewer than `FEWEST_RUNS`.
    """
    day = pl.col("started_at_utc").dt.date().alias("day")
    of_sections = [runs.group_by(day).agg(n=pl.len()) for runs in sections]
    days = pl.concat(of_sections).group_by("day").agg(pl.sum("n")).sort("day").with_columns(up_to=pl.cum_sum("n"))
    n_runs = int(days["n"].sum())
    if n_runs < FEWEST_RUNS:
        return None
    counted = int(2 ** (math.floor(STEPS_OF_DOUBLING * math.log2(n_runs)) / STEPS_OF_DOUBLING))
    until, n_on_it, n_up_to = days.filter(pl.col("up_to") >= counted).row(0)
    return None if n_up_to - n_on_it < FEWEST_SHARE * n_runs else until


def runs_before(runs: pl.DataFrame, until: date | None) -> pl.DataFrame:
    """The runs that began before a day, by UTC; all for None."""
    if until is None:
        return runs
    return runs.filter(pl.col("started_at_utc") < datetime.combine(until, time(), UTC))

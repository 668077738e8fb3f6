"""What a person should look at although nothing stops for it, once the recordings are read."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline.inbox.inbox import Inbox
from pipeline.methods.session_matching import SAME_START_S, sessions_of_runs
from pipeline.refresh.duplicates import with_several_athletes
from pipeline.stages.corrections import corrected_alike, corrections
from pipeline.tables.recorded import GUARD_NOT_MET, MATCHES_NOTHING

#: Starts that lie whole hours apart, to so much, are of clocks or zones [s]. Common practice, no source.
_WHOLE_HOURS_S = 300


def notices_of(inbox: Inbox, ledger: pl.DataFrame) -> list[str]:
    """Everything to look at, a sentence each: of the inbox, of its corrections and of its lists.

    Args:
        inbox: as it was read.
        ledger: rows of `recordings` that came of it.
    """
    clocks = ledger.filter(pl.col("same_as_run").is_not_null()).sort("path", "session")
    return [
        *inbox.notices,
        *of_corrections(inbox, ledger),
        *(f"{path}: {reason} {fix}" for path, reason, fix in clocks.select("path", "reason", "fix").iter_rows()),
        *of_sessions(inbox, ledger),
        *with_several_athletes(ledger),
    ]


def of_corrections(inbox: Inbox, ledger: pl.DataFrame) -> Iterator[str]:
    """Entries of corrections.toml that changed nothing."""
    for row in corrections(corrected_alike(ledger), inbox.lists["corrections.toml"]).iter_rows(named=True):
        entry = f"{row['file']}, line {row['line']}: correction {row['entry']} ({row['says']})"
        if row["status"] == MATCHES_NOTHING:
            yield f"{entry} matches no recording. Check its file, dates and device, or take it out."
        elif row["status"] == GUARD_NOT_MET:
            n = row["n_guard_not_met"]
            yield (
                f"{entry} names {n} recording{'s' if n > 1 else ''} and was held back from all: its guard was not met, "
                "or what it changes was not recorded."
            )


def of_sessions(inbox: Inbox, ledger: pl.DataFrame) -> Iterator[str]:
    """Rows of sessions.csv without a run, with the nearest one; and runs with several rows."""
    runs = ledger.filter(pl.col("status").is_in(["accepted", "salvaged"]))
    matches = sessions_of_runs(runs, inbox.sessions)
    dated = inbox.sessions.filter(pl.col("file").is_null())
    for row in dated.join(matches, on="line", how="anti").sort("line").iter_rows(named=True):
        own = runs.filter(pl.col("athlete_id") == row["athlete_id"]).drop_nulls("started_at_utc")
        if own.is_empty():
            continue  # an athlete without any run: another notice says so
        apart = (pl.col("started_at_utc") - row["started_at_utc"]).abs()
        nearest = own.sort(apart, "run_id")["started_at_utc"][0]
        yield (
            f"{inbox.sessions_file}, line {row['line']}: no run of {row['athlete_id']} began within "
            f"{SAME_START_S // 60} minutes of {row['started_at_utc']:%Y-%m-%dT%H:%M:%SZ}. "
            f"Did you mean {nearest:%Y-%m-%dT%H:%M:%SZ}?"
            + _zone_hint((nearest - row["started_at_utc"]).total_seconds())
        )
    lost = matches.filter(~pl.col("is_used")).sort("line").unique("line", keep="first", maintain_order=True)
    for line, used_line in lost.select("line", "used_line").iter_rows():
        yield (
            f"{inbox.sessions_file}, lines {line} and {used_line} describe the same run; line {used_line} is used. "
            "Take one of them out."
        )


def _zone_hint(apart_s: float) -> str:
    n_hours = round(apart_s / 3600)
    if not 0 < abs(n_hours) <= 14 or abs(apart_s - 3600 * n_hours) > _WHOLE_HOURS_S:
        return ""
    hours = f"{abs(n_hours)} hour{'s' if abs(n_hours) > 1 else ''} {'later' if apart_s > 0 else 'earlier'}"
    return f" It is {hours}: write local times with their offset, such as 2026-03-14T09:30:00+01:00."

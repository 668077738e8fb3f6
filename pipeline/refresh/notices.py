"""What a person should look at although nothing stops for it, once the recordings are read."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline.inbox.inbox import Inbox
from pipeline.methods.session_matching import SAME_START_S, sessions_of_runs
from pipeline.refresh.duplicates import with_several_athletes
from pipeline.stages.corrections import UNUSED_DUPLICATE, corrected_alike, corrections, holds
from pipeline.tables.recorded import GUARD_NOT_MET, MATCHES_NOTHING, ONLY_DUPLICATES

#: Starts that lie whole hours apart, to so much, are of clocks or zones [s]. Common practice, no source.
_WHOLE_HOURS_S = 300


def notices_of(inbox: Inbox, ledger: pl.DataFrame, before: pl.DataFrame | None = None) -> list[str]:
    """Everything to look at, a sentence each: of the inbox, of its corrections and of its lists.

    Args:
        inbox: as it was read.
        ledger: rows of `recordings` that came of it.
        before: the same of the state before: what its guards held back is as intended; None to name that too.
    """
    clocks = ledger.filter(pl.col("same_as_run").is_not_null()).sort("path", "session")
    return [
        *inbox.notices,
        *of_corrections(inbox, ledger, before),
        *(f"{path}: {reason} {fix}" for path, reason, fix in clocks.select("path", "reason", "fix").iter_rows()),
        *of_sessions(inbox, ledger),
        *with_several_athletes(ledger),
    ]


def of_corrections(inbox: Inbox, ledger: pl.DataFrame, before: pl.DataFrame | None = None) -> Iterator[str]:
    """Entries of corrections.toml that changed no run."""
    for row in corrections(corrected_alike(ledger), inbox.lists["corrections.toml"]).iter_rows(named=True):
        entry = f"{row['file']}, line {row['line']}: correction {row['entry']} ({row['says']})"
        if row["status"] == MATCHES_NOTHING:
            yield f"{entry} matches no recording. Check its file, athlete_id, dates and device, or take it out."
        elif row["status"] == ONLY_DUPLICATES:
            own = ledger.filter(UNUSED_DUPLICATE, holds(ledger["corrections"], row["name"])).sort("path", "session")
            kept = ledger.filter(pl.col("status") != "duplicate", pl.col("run_id") == own["run_id"][0])
            yield (
                f"{entry} changes no run: it was applied to '{own['path'][0]}'"
                f"{f' and {own.height - 1} more' if own.height > 1 else ''}, which "
                f"{'count as duplicates' if own.height > 1 else 'counts as a duplicate'}. "
                f"For the run that is kept, name '{kept['path'][0]}'."
            )
        elif row["status"] == GUARD_NOT_MET and (
            before is None or not holds(before["guards_not_met"], row["name"]).any()
        ):
            n = row["n_guard_not_met"]
            yield (
                f"{entry} names {n} recording{'s' if n > 1 else ''} and was held back from all: its guard was not met, "
                "or what it changes was not recorded."
            )


def of_sessions(inbox: Inbox, ledger: pl.DataFrame) -> Iterator[str]:
    """Rows of sessions.csv without a run, with the nearest one; and runs with several rows that differ."""
    runs = ledger.filter(pl.col("status").is_in(["accepted", "salvaged"]))
    matches = sessions_of_runs(runs, ledger, inbox.sessions)
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
    said = inbox.sessions.select("line", says=pl.struct("kind", "surface", "shoe_id", "note"))
    lost = matches.filter(~pl.col("is_used")).join(said, on="line")
    lost = lost.join(said.select(used_line="line", used="says"), on="used_line").filter(
        pl.col("says") != pl.col("used")
    )
    lost = lost.sort("line").unique("line", keep="first", maintain_order=True)
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

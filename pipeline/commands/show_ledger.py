"""The ledger in the terminal: how many files became what, and which of them a person should look at."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.commands.show import plain
from pipeline.commands.terminal import counts_in_words

#: Rows of the list, and how many files may have the same reason before they share a row.
MOST_LISTED, MOST_ALIKE = 40, 3
#: What comes first in the list: what a person can do something about.
_ORDER = ("rejected", "salvaged", "duplicate", "not_running", "accepted")
_SAME = ("status", "reason", "fix")
#: What was there and what became of it: a row of a ledger that has all of it in common with one before is not new.
WHAT = ("path", "session", "sha256", *_SAME)


def came_in(ledger: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    """The rows of a ledger that are not in the one before, or of which another thing became.

    Args:
        ledger: rows of `recordings`.
        before: `WHAT` of the same before a refresh; empty where there was none.
    """
    return ledger.join(before.select(WHAT).unique(), on=WHAT, how="anti", nulls_equal=True, maintain_order="left")


def runs_at_last(ledger: pl.DataFrame, before: pl.DataFrame) -> int:
    """How many files hold a run and held none before, when they were rejected; arguments as for `came_in`."""
    is_run = pl.col("status").is_in(["accepted", "salvaged"])
    rejected = before.filter(pl.col("status") == "rejected").join(before.filter(is_run), on="path", how="anti")
    return ledger.filter(is_run).join(rejected, on="path", how="semi")["path"].n_unique()


def ledger_summary(ledger: pl.DataFrame, listed: pl.DataFrame, *, everything: bool = False) -> RenderableType:
    """Number of files by status; and files with reason and fix.

    Args:
        ledger: rows of `recordings`.
        listed: those of them that are to be listed.
        everything: whether each file has a row; else files with the same reason share one, and the list is short.
    """
    head = Text(counts_in_words(ledger["file"].n_unique(), dict(ledger.group_by("status").len().iter_rows())))
    if listed.is_empty():
        return head
    table = Table(header_style="bold", pad_edge=False)
    for heading in ("file", "status", "reason and what to do"):
        table.add_column(heading, overflow="fold")
    rows = list(_rows(listed, most_alike=listed.height if everything else MOST_ALIKE))
    shown = rows if everything else rows[:MOST_LISTED]
    for name, status, words, _ in shown:
        table.add_row(plain(name), status.replace("_", " "), plain(words))
    n_more = sum(n_sessions for *_, n_sessions in rows[len(shown) :])
    more = [Text(f"and {n_more} more; -v lists every file.")] if n_more else []
    return Group(head, table, *more)


def _rows(listed: pl.DataFrame, *, most_alike: int) -> Iterator[tuple[str, str, str, int]]:
    """Name, status, words and number of sessions of each row; sessions of which the same is to be said share one."""
    ordered = listed.sort(pl.col("status").cast(pl.Enum(_ORDER)), "path", "session")
    for (status, reason, fix), alike in ordered.group_by(_SAME, maintain_order=True):
        words = " ".join(filter(None, (reason, fix)))
        names = [
            f"{path} (session {session})" if session > 1 else path
            for path, session in alike.select("path", "session").iter_rows()
        ]
        if len(names) > most_alike:
            yield f"{names[0]} and {len(names) - 1} more", str(status), words, len(names)
        else:
            yield from ((name, str(status), words, 1) for name in names)

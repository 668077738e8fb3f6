"""The command `splitdrift refresh`."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import (
    AS_JSON,
    CLUSTER,
    FOLDER,
    INBOX,
    JOBS,
    QUIET,
    VERBOSE,
    is_by_flow,
    open_console,
    progress_bar,
    show_club,
    show_notices,
    started_workers,
)
from pipeline.core.errors import EXIT_DONE_BUT_REJECTED

if TYPE_CHECKING:
    import polars as pl

    from pipeline.inbox.inbox import Inbox

#: Athletes of whom a refresh says what is new; `splitdrift show` has all.
MOST_ATHLETES = 40


@dataclass(frozen=True)
class Output:
    """How a refresh says what came of it: as JSON, only what needs attention, or every file."""

    as_json: bool = False
    quiet: bool = False
    verbose: bool = False


@click.command()
@INBOX
@click.option("--store", type=FOLDER, required=True, help="Folder of the result; made if absent.")
@JOBS
@click.option("--flow", is_flag=True, help="Run as a flow of a Prefect server. [default: if PREFECT_API_URL names one]")
@CLUSTER
@click.option("--strict", is_flag=True, help="Exit with 3 if a file was rejected.")
@click.option("--wait", type=click.FloatRange(min=0), default=0.0, help="Seconds to wait for another refresh to end.")
@AS_JSON
@QUIET
@VERBOSE
def refresh(
    *,
    inbox: Path,
    store: Path,
    jobs: int | None,
    flow: bool,
    cluster: str | None,
    strict: bool,
    wait: float,
    as_json: bool,
    quiet: bool,
    verbose: bool,
) -> None:
    """Bring the tables up to date with the recordings of the inbox; only what changed is recomputed.

    Says what is new: `splitdrift show` and rejected/rejected.csv have the rest. Ctrl-C may be pressed at any time: the
    store stays as it was, and the next refresh goes on from what had been read.

    \b
    Exit codes: 0 done (rejected files are listed), 1 nothing could be done, 2 wrong use,
                3 done, but --strict was given and files were rejected, 130 interrupted.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    output = Output(as_json, quiet, verbose)
    bring_up_to_date(inbox, store, jobs=jobs, flow=flow, cluster=cluster, strict=strict, wait_s=wait, output=output)


def bring_up_to_date(
    inbox: Path,
    store: Path,
    *,
    jobs: int | None,
    flow: bool,
    cluster: str | None = None,
    strict: bool = False,
    wait_s: float = 0.0,
    output: Output = Output(),
) -> None:
    """Refresh a store and show what came of it; arguments as for the command."""
    by_flow = is_by_flow(flow=flow, cluster=cluster)
    at_once = _looks_changed(inbox, store)
    with nullcontext() if by_flow else started_workers(jobs, cluster, at_once=at_once) as mapper:
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.refresh import refresh as in_process

        contents, before = read_inbox(inbox), _ledger_before(store)
        with progress_bar(f"Reading {len(contents.files)} files") as progress:
            if by_flow:
                from flows.refresh import refresh_with_prefect

                ledger = refresh_with_prefect(contents, store, jobs=jobs, wait_s=wait_s, progress=progress)
            else:
                ledger = in_process(contents, store, wait_s=wait_s, progress=progress, mapper=mapper)
    if output.as_json:
        _print_document(store, contents, ledger, before)
    else:
        _show(store, contents, ledger, before, output)
    if strict and (ledger["status"] == "rejected").any():
        raise click.exceptions.Exit(EXIT_DONE_BUT_REJECTED)


def _looks_changed(inbox: Path, store: Path) -> bool:
    """Whether there is no state yet, or one older than a change in the inbox; a guess, on which no result depends."""
    if any("://" in str(folder) for folder in (inbox, store)):
        return True
    try:
        made_at = (store / "current").lstat().st_ctime_ns
        entries = [inbox, *inbox.rglob("*")]
        return any(entry.lstat().st_ctime_ns > made_at for entry in entries)
    except OSError:
        return True


def _ledger_before(store: Path) -> pl.DataFrame:
    """The ledger of the valid state; empty where there is none, or one whose ledger had other columns."""
    from pipeline.core.errors import OtherVersion
    from pipeline.store.generations import current
    from pipeline.store.layout import read_rows
    from pipeline.tables import empty

    try:
        folder = current(store)
        return empty("recordings") if folder is None else read_rows(folder, "recordings")
    except OtherVersion:
        return empty("recordings")


def _print_document(store: Path, contents: Inbox, ledger: pl.DataFrame, before: pl.DataFrame) -> None:
    from pipeline.commands.as_json import print_json, rows_of
    from pipeline.commands.show_ledger import came_in
    from pipeline.core.places import whole_name
    from pipeline.refresh.notices import notices_of
    from pipeline.store.generations import published
    from pipeline.store.history import read_history

    last = read_history(store)[-1]
    document = {
        "store": whole_name(store),
        "generation": published(store).name,
        "n_files": ledger["file"].n_unique(),
        "statuses": dict(ledger.group_by("status").len().sort("status").iter_rows()),
        "is_new": not last.get("nothing_new", False),
        "recordings": rows_of(came_in(ledger, before)),
        "findings": last.get("findings", []),
        "notices": [*notices_of(contents, ledger), *_suspicions(store, contents, came_in(ledger, before))],
    }
    print_json("refresh", document)


def _suspicions(store: Path, contents: Inbox, new: pl.DataFrame) -> list[str]:
    """What the recordings that came in are suspected of."""
    from pipeline.refresh.quality_notices import quality_notices
    from pipeline.store.layout import read_table

    return quality_notices(read_table(store, "quality"), new, registry=contents.settings.registry)


def _show(store: Path, contents: Inbox, ledger: pl.DataFrame, before: pl.DataFrame, output: Output) -> None:
    from pipeline.commands.show_ledger import came_in, ledger_summary
    from pipeline.core.places import is_remote, whole_name
    from pipeline.refresh.notices import notices_of
    from pipeline.store.generations import published
    from pipeline.store.history import read_history, what_came_in

    console = open_console()
    new = came_in(ledger, before)
    needs_attention = new.filter(new["status"].is_in(["rejected", "salvaged"]))
    listed = ledger if output.verbose else needs_attention if output.quiet else new.filter(new["status"] != "accepted")
    if not output.quiet or not listed.is_empty():
        console.print(ledger_summary(ledger, listed, everything=output.verbose))
    if not output.quiet:
        console.print(what_came_in(store), highlight=False)
    show_notices([*notices_of(contents, ledger), *_suspicions(store, contents, new)])
    if output.quiet:
        return
    changed = {row["athlete_id"] for row in read_history(store)[-1].get("findings", [])}
    athletes = sorted(changed | set(new["athlete_id"].drop_nulls()))
    if athletes:
        console.print()
        show_club(store, contents.athletes, only=athletes[:MOST_ATHLETES])
        if len(athletes) > MOST_ATHLETES:
            console.print(f"and {len(athletes) - MOST_ATHLETES} more athletes; `splitdrift show` has all.")
    console.print(
        f"\nEverything is in {whole_name(published(store) if is_remote(store) else store)}\n"
        "  pages/index.html       the club and every athlete, to be read in a browser\n"
        "  splitdrift.duckdb      every table, for SQL\n"
        "  tables/                the same as Parquet\n"
        "  exports/               the same as CSV, and splitdrift.xlsx\n"
        "  rejected/rejected.csv  what was rejected, and why",
        highlight=False,
        soft_wrap=True,
    )

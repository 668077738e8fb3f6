"""The command `splitdrift refresh`."""

from __future__ import annotations

import gc
from collections.abc import Iterator, Mapping, Sequence
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
    counts_in_words,
    is_by_flow,
    open_console,
    printable,
    progress_bar,
    show_club,
    show_notices,
    started_workers,
)
from pipeline.core.errors import EXIT_DONE_BUT_REJECTED

if TYPE_CHECKING:
    import polars as pl

    from pipeline.core.metrics import Registry
    from pipeline.inbox.inbox import Inbox
    from pipeline.refresh.unchanged import Unchanged
    from pipeline.store.history import Record

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
    """Bring the tables up to date with the inbox. Only what changed is recomputed.

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
    looks_new = _looks_new(inbox, store)
    if not looks_new and not (by_flow or cluster or output.verbose):
        from pipeline.refresh.unchanged import nothing_new

        if (unchanged := nothing_new(inbox, store)) is not None:
            _say_unchanged(store, unchanged, output)
            if strict and unchanged.statuses.get("rejected"):
                raise click.exceptions.Exit(EXIT_DONE_BUT_REJECTED)
            return
    with nullcontext() if by_flow else started_workers(jobs, cluster, at_once=looks_new) as mapper:
        gc.disable()  # as in workers, which load their modules at the same time
        from pipeline.commands import show_ledger  # of `_show` too: as long as workers load it takes no time
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.refresh import refresh as in_process
        from pipeline.store.layout import ledger_of_valid

        gc.freeze()
        gc.enable()
        contents, before = read_inbox(inbox), ledger_of_valid(store, [*show_ledger.WHAT, "guards_not_met"])
        with progress_bar(f"Reading {len(contents.files)} files") as progress:
            if by_flow:
                from flows.refresh import refresh_with_prefect

                ledger = refresh_with_prefect(contents, store, jobs=jobs, wait_s=wait_s, progress=progress)
            else:
                ledger = in_process(contents, store, wait_s=wait_s, progress=progress, mapper=mapper)
    _show(store, contents, ledger, before, output)
    if strict and (ledger["status"] == "rejected").any():
        raise click.exceptions.Exit(EXIT_DONE_BUT_REJECTED)


def _looks_new(inbox: Path, store: Path) -> bool:
    """Whether anything in the inbox looks younger than the state: a guess, on which no result depends."""
    if any("://" in str(folder) for folder in (inbox, store)):
        return True
    try:
        made_at = (store / "current").lstat().st_ctime_ns
        return any(entry.lstat().st_ctime_ns > made_at for entry in (inbox, *inbox.rglob("*")))
    except OSError:
        return True  # there is no state yet


def _say_unchanged(store: Path, unchanged: Unchanged, output: Output) -> None:
    """The same as after a refresh that found nothing new by reading everything."""
    from pipeline.core.places import whole_name
    from pipeline.store.history import what_came_in

    if output.as_json:
        _print_document(store, unchanged.state, unchanged.n_files, unchanged.statuses, unchanged.notices)
        return
    if not output.quiet:
        click.echo(counts_in_words(unchanged.n_files, unchanged.statuses))
        click.echo(what_came_in(store))
    show_notices(unchanged.notices)
    if not output.quiet:
        click.echo(_where(whole_name(store)))


def _print_document(
    store: Path, state: Path, n_files: int, statuses: Mapping[str, int], notices: Sequence[str],
    *, is_new: bool = False, recordings: Sequence[object] = (), findings: Sequence[object] = (),
) -> None:  # fmt: skip
    from pipeline.commands.as_json import print_json
    from pipeline.core.places import whole_name

    document = {
        "store": whole_name(store), "generation": state.name, "n_files": n_files, "statuses": statuses,
        "is_new": is_new, "recordings": recordings, "findings": findings, "notices": notices,
    }  # fmt: skip
    print_json("refresh", document)


def _show(store: Path, contents: Inbox, ledger: pl.DataFrame, before: pl.DataFrame, output: Output) -> None:
    import polars as pl

    from pipeline.commands.as_json import rows_of
    from pipeline.commands.show_ledger import came_in, ledger_summary
    from pipeline.core.places import is_remote, whole_name
    from pipeline.refresh.notices import notices_of
    from pipeline.refresh.quality_notices import quality_notices
    from pipeline.store.generations import published
    from pipeline.store.history import read_history, replaced_inbox, what_came_in
    from pipeline.store.layout import read_where

    new, last = came_in(ledger, before), read_history(store)[-1]
    suspected = read_where(published(store), "quality", pl.col("suspicion").is_not_null())
    suspicions = quality_notices(suspected, new, registry=contents.settings.registry)
    notices = [*replaced_inbox(store, last), *notices_of(contents, ledger, before), *suspicions]
    findings = last.get("findings", [])
    if output.as_json:
        statuses = dict(ledger.group_by("status").len().sort("status").iter_rows())
        _print_document(
            store, published(store), ledger["file"].n_unique(), statuses, notices,
            is_new=not last.get("nothing_new", False), recordings=rows_of(new), findings=findings,
        )  # fmt: skip
        return
    console = open_console()
    needs_attention = new.filter(new["status"].is_in(["rejected", "salvaged"]))
    listed = ledger if output.verbose else needs_attention if output.quiet else new.filter(new["status"] != "accepted")
    if not output.quiet or not listed.is_empty():
        console.print(ledger_summary(ledger, listed, everything=output.verbose))
    if not output.quiet:
        console.print(what_came_in(store), highlight=False)
        for line in _what_became_of_it(ledger, before, last, contents.settings.registry):
            click.echo(printable(line))
    show_notices(notices)
    if output.quiet:
        return
    athletes = sorted({row["athlete_id"] for row in findings} | set(new["athlete_id"].drop_nulls()))
    if athletes:
        console.print()
        show_club(store, contents.athletes, only=athletes[:MOST_ATHLETES])
        if len(athletes) > MOST_ATHLETES:
            console.print(f"and {len(athletes) - MOST_ATHLETES} more athletes; `splitdrift show` has all.")
    console.print(_where(whole_name(published(store) if is_remote(store) else store)), highlight=False, soft_wrap=True)


def _what_became_of_it(ledger: pl.DataFrame, before: pl.DataFrame, record: Record, registry: Registry) -> Iterator[str]:
    """Files that are runs at last, and findings that changed, a line each."""
    from pipeline.commands.show_history import changed_in_words
    from pipeline.commands.show_ledger import runs_at_last

    if n := runs_at_last(ledger, before):
        yield "1 file that was rejected is a run now." if n == 1 else f"{n} files that were rejected are runs now."
    if changes := changed_in_words(record, registry):
        yield "Findings that changed:"
        yield from (f"  {change}" for change in changes)


def _where(place: str) -> str:
    return (
        f"\nEverything is in {place}\n"
        "  pages/index.html       the club and every athlete, to be read in a browser\n"
        "  splitdrift.duckdb      every table, for SQL\n"
        "  tables/                the same as Parquet\n"
        "  exports/               the same as CSV, and splitdrift.xlsx\n"
        "  rejected/rejected.csv  what was rejected, and why"
    )

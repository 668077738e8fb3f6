"""The command `splitdrift refresh`."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import click

from pipeline.commands.terminal import (
    FOLDER,
    INBOX,
    JOBS,
    has_prefect_api,
    open_console,
    progress_bar,
    show_club,
    show_notices,
    started_workers,
)
from pipeline.core.errors import EXIT_DONE_BUT_REJECTED


@click.command()
@INBOX
@click.option("--store", type=FOLDER, required=True, help="Folder of the result; made if absent.")
@JOBS
@click.option("--flow", is_flag=True, help="Run as a Prefect flow. [default: if a Prefect API is configured]")
@click.option("--cluster", metavar="ADDRESS", help="Run as a Prefect flow on this Dask cluster, e.g. tcp://host:8786.")
@click.option("--strict", is_flag=True, help="Exit with 3 if a file was rejected.")
@click.option("--wait", type=click.FloatRange(min=0), default=0.0, help="Seconds to wait for another refresh to end.")
def refresh(
    *, inbox: Path, store: Path, jobs: int | None, flow: bool, cluster: str | None, strict: bool, wait: float
) -> None:
    """Bring the tables up to date with the recordings of the inbox; only what changed is recomputed.

    \b
    Exit codes: 0 done (rejected files are listed), 1 nothing could be done, 2 wrong use,
                3 done, but --strict was given and files were rejected.
    """  # noqa: D301 -- click wants the sign itself, not the two letters
    bring_up_to_date(inbox, store, jobs=jobs, flow=flow, cluster=cluster, strict=strict, wait_s=wait)


def bring_up_to_date(
    inbox: Path,
    store: Path,
    *,
    jobs: int | None,
    flow: bool,
    cluster: str | None = None,
    strict: bool = False,
    wait_s: float = 0.0,
) -> None:
    """Refresh a store and show what came of it; arguments as for the command."""
    by_flow = flow or cluster is not None or has_prefect_api()
    with nullcontext() if by_flow else started_workers(jobs) as mapper:
        from pipeline.commands.show import ledger_summary
        from pipeline.core.places import is_remote, whole_name
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.notices import notices_of
        from pipeline.refresh.refresh import refresh as in_process
        from pipeline.store.generations import published
        from pipeline.store.history import what_came_in

        contents = read_inbox(inbox)
        with progress_bar(f"Reading {len(contents.files)} files") as progress:
            if by_flow:
                from flows.refresh import refresh_with_prefect

                ledger = refresh_with_prefect(
                    contents, store, jobs=jobs, cluster=cluster, wait_s=wait_s, progress=progress
                )
            else:
                ledger = in_process(contents, store, wait_s=wait_s, progress=progress, mapper=mapper)
    console = open_console()
    console.print(ledger_summary(ledger, everything=False))
    console.print(what_came_in(store), highlight=False)
    show_notices(notices_of(contents, ledger))
    console.print()
    show_club(store, contents.athletes)
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
    if strict and (ledger["status"] == "rejected").any():
        raise click.exceptions.Exit(EXIT_DONE_BUT_REJECTED)

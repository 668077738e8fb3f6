"""The command `splitdrift check`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import (
    AS_JSON,
    INBOX,
    JOBS,
    QUIET,
    VERBOSE,
    open_console,
    progress_bar,
    show_notices,
    started_workers,
)
from pipeline.core.errors import EXIT_DONE_BUT_REJECTED, EXIT_NOTHING_DONE
from pipeline.refresh import WORKER_LOADS


@click.command()
@INBOX
@JOBS
@click.option("--strict", is_flag=True, help="Exit with 3 if a file was rejected.")
@AS_JSON
@QUIET
@VERBOSE
def check(*, inbox: Path, jobs: int | None, strict: bool, as_json: bool, quiet: bool, verbose: bool) -> None:
    """Read and judge everything in an inbox, write nothing.

    \b
    Exit codes: 0 done (rejected files are listed), 1 no file gave a run, 2 wrong use,
                3 done, but --strict was given and files were rejected.
    """  # noqa: D301 -- click needs the control character itself
    with started_workers(jobs, loads=WORKER_LOADS) as mapper:
        from pipeline.commands.as_json import print_json, rows_of
        from pipeline.commands.show_ledger import ledger_summary
        from pipeline.core.places import whole_name
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.notices import notices_of
        from pipeline.refresh.quality_notices import quality_notices
        from pipeline.refresh.refresh import check_quality

        contents = read_inbox(inbox)
        with progress_bar(f"Reading {len(contents.files)} files") as progress:
            ledger, quality = check_quality(contents, progress=progress, mapper=mapper)
    notices = [*notices_of(contents, ledger), *quality_notices(quality, ledger, registry=contents.settings.registry)]
    is_run = ledger["status"].is_in(["accepted", "salvaged"])
    if as_json:
        document = {
            "inbox": whole_name(inbox),
            "n_files": ledger["file"].n_unique(),
            "statuses": dict(ledger.group_by("status").len().sort("status").iter_rows()),
            "recordings": rows_of(ledger),
            "notices": notices,
        }
        print_json("check", document)
    else:
        listed = ledger.filter(ledger["status"].is_in(["rejected", "salvaged"])) if quiet else ledger
        if not quiet or not listed.is_empty():
            open_console().print(ledger_summary(ledger, listed, everything=verbose))
        show_notices(notices)
    if not is_run.any():
        raise click.exceptions.Exit(EXIT_NOTHING_DONE)
    if strict and (ledger["status"] == "rejected").any():
        raise click.exceptions.Exit(EXIT_DONE_BUT_REJECTED)

"""The command `splitdrift check`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands.terminal import INBOX, JOBS, open_console, progress_bar, show_notices, started_workers
from pipeline.core.errors import EXIT_NOTHING_DONE


@click.command()
@INBOX
@JOBS
def check(inbox: Path, jobs: int | None) -> None:
    """Read and judge everything in an inbox, write nothing."""
    with started_workers(jobs) as mapper:
        from pipeline.commands.show import ledger_summary
        from pipeline.inbox.inbox import read_inbox
        from pipeline.refresh.notices import notices_of
        from pipeline.refresh.refresh import check as judge

        contents = read_inbox(inbox)
        with progress_bar(f"Reading {len(contents.files)} files") as progress:
            ledger = judge(contents, progress=progress, mapper=mapper)
    open_console().print(ledger_summary(ledger, everything=True))
    show_notices(notices_of(contents, ledger))
    if not ledger["status"].is_in(["accepted", "salvaged"]).any():
        raise click.exceptions.Exit(EXIT_NOTHING_DONE)

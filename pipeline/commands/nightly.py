"""The commands of the schedule: `nightly` and `history`. Anything heavy is imported inside, as in all commands."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from datetime import time as time_of_day
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import CLUSTER, FOLDER, INBOX, JOBS, STORE, is_by_flow, open_console, started_workers
from pipeline.core.errors import EXIT_NOT_DELIVERED, UsageError
from pipeline.nightly import NOTIFY, WEBHOOK
from pipeline.nightly.plan import Plan, next_night, time_of, zone_of

if TYPE_CHECKING:
    import polars as pl

    from pipeline.inbox.inbox import Inbox
    from pipeline.workers.pool import Loss

#: The schedule looks at the clock so often, since a machine that slept wakes up late [s].
_LOOKS_EVERY_S = 20.0


@click.command()
@INBOX
@click.option("--store", type=FOLDER, required=True, help="Folder of the result; made if absent.")
@click.option("--at", metavar="HH:MM", help="Serve the schedule: a refresh every day at this time, until ended.")
@click.option("--once", is_flag=True, help="One night, now; for a timer of the system that calls it.")
@click.option("--time-zone", metavar="NAME", help="Of --at and of dates, e.g. Europe/Berlin. [default: the machine's]")
@click.option("--retries", type=click.IntRange(min=0), default=2, show_default=True, help="Tries after a failed one.")
@click.option(
    "--retry-after",
    type=click.FloatRange(min=0),
    default=10.0,
    show_default=True,
    help="Minutes between them. Wrong use is not tried again.",
)
@click.option(
    "--notify",
    metavar="COMMAND",
    envvar=NOTIFY,
    help="Start this with the page's path as its last word and the page on its input. [or in SPLITDRIFT_NOTIFY]",
)
@click.option("--hand-to", hidden=True)  # the former name of --notify
@click.option("--webhook", hidden=True)  # the former way to give what is in SPLITDRIFT_WEBHOOK
@JOBS
@click.option("--flow", is_flag=True, help="Run as a flow of a Prefect server. [default: if PREFECT_API_URL names one]")
@CLUSTER
def nightly(
    *,
    inbox: Path,
    store: Path,
    at: str | None,
    once: bool,
    time_zone: str | None,
    retries: int,
    retry_after: float,
    notify: str | None,
    hand_to: str | None,
    webhook: str | None,
    jobs: int | None,
    flow: bool,
    cluster: str | None,
) -> None:
    """Refresh every night, and write a page about each night. It says what came in, whose finding changed and what
    was rejected.

    \b
    Served here:        splitdrift nightly --inbox inbox --store store --at 03:00
    By cron or systemd: splitdrift nightly --inbox inbox --store store --once

    Pages are written to nights/ in the store. A night that is due while another process changes the store is skipped.
    The next night makes up for a killed or missed one, since it reads whatever is new.

    The page is sent as JSON (title, text) to the web address in the environment variable SPLITDRIFT_WEBHOOK, which may
    hold a secret; every user of a machine can read what is on a command line.

    --at is the time on the wall clock of the time zone. On the day on which the clocks leave it out it is an hour
    later; on the day on which it comes twice, the first counts.

    \b
    Exit codes of --once: 0 done or skipped, 1 failed, or a file of the store is damaged, 2 wrong use,
                          4 done or skipped, but the page was not delivered.
    """  # noqa: D301 -- click needs the control character itself
    if webhook is not None:
        raise UsageError(
            f"--webhook shows the address to every user of this machine. Put it into the environment as {WEBHOOK}."
        )
    zone = zone_of(time_zone)
    plan = Plan(inbox, store, zone, retries, 60 * retry_after, notify or hand_to, os.environ.get(WEBHOOK) or None)
    how = _How(jobs, is_by_flow(flow=flow, cluster=cluster), cluster)
    if (at is None) != once:
        raise click.UsageError("Give either --at HH:MM, to serve the schedule, or --once, for one night now.")
    if at is None:
        _night(plan, how)
    else:
        _serve_nights(plan, how, time_of(at))


@dataclass(frozen=True)
class _How:
    """How a night refreshes the store."""

    jobs: int | None
    by_flow: bool
    cluster: str | None

    def refresh(self, contents: Inbox, into: Path) -> pl.DataFrame:
        """Bring a store up to date."""
        if self.by_flow:
            from flows.refresh import refresh_with_prefect

            return refresh_with_prefect(contents, into, jobs=self.jobs)
        from pipeline.refresh.refresh import refresh

        with started_workers(self.jobs, self.cluster, at_once=False) as mapper:
            return refresh(contents, into, mapper=mapper)


def _night(plan: Plan, how: _How) -> None:
    from pipeline.nightly.nightly import Outcome, one_night, require_deliverable

    require_deliverable(plan)
    night = one_night(plan, how.refresh)
    click.echo(night.page.text)
    if night.path is not None:
        click.echo(f"This page: {night.path}")
    for fault in night.faults:
        click.echo(f"splitdrift: {fault}", err=True)
    if night.outcome is not Outcome.SKIPPED and night.error is not None:
        raise night.error
    if night.faults:
        raise click.exceptions.Exit(EXIT_NOT_DELIVERED)


# --- The schedule ----------------------------------------------------------------------------------------------------


def _serve_nights(plan: Plan, how: _How, at: time_of_day) -> None:
    """One night after the other, each in a process of its own, which ends with this one, whatever ends this."""
    # A service is ended by SIGTERM; an ordinary exit then ends what was started here.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    pages = _apart(_look_ahead, plan, how, lost=_lost)
    click.echo(f"A refresh every day at {at:%H:%M}, time zone {plan.zone}. Pages: {pages}. Ctrl-C ends it.")
    while True:
        due = next_night(at, datetime.now(plan.zone))
        _wait_until(due)
        click.echo(_apart(_sentence, plan, how, lost=partial(_told_of, due)))


def _wait_until(due: datetime) -> None:
    while (left_s := (due - datetime.now(UTC)).total_seconds()) > 0:
        time.sleep(min(left_s, _LOOKS_EVERY_S))


def _apart(
    function: Callable[[Plan, _How], str], plan: Plan, how: _How, *, lost: Callable[[Plan, _How, Loss], str]
) -> str:
    """What a function gives in a process that is started for it and gets secrets by a pipe only.

    Args:
        lost: what takes its place when that process ends before it.
    """
    from pipeline.workers.pool import Pool
    from pipeline.workers.process import Limits

    pool = Pool("", Limits(), environment={})
    try:
        return next(pool.map(function, plan, [how], lost=lost))
    finally:
        pool.end()


def _look_ahead(plan: Plan, _how: _How) -> str:
    from pipeline.core.places import whole_name
    from pipeline.nightly.nightly import NIGHTS, look_ahead

    look_ahead(plan)
    return whole_name(plan.store / NIGHTS)


def _sentence(plan: Plan, how: _How) -> str:
    from pipeline.nightly.nightly import one_night

    return one_night(plan, how.refresh).sentence


def _told_of(due: datetime, plan: Plan, how: _How, loss: Loss) -> str:
    """A night whose process ended before it could tell: another one writes and delivers its page."""
    return _apart(partial(_sentence_about_lost, due, loss.words), plan, how, lost=_lost)


def _sentence_about_lost(due: datetime, words: str, plan: Plan, _how: _How) -> str:
    from pipeline.nightly.nightly import lost_night

    return lost_night(plan, due, words).sentence


def _lost(_plan: Plan, _how: _How, loss: Loss) -> str:
    return f"The process was lost: {loss.words}. Nothing half done is in the store; the next night takes up everything."


@click.command()
@STORE
@click.option("--return-to", metavar="GENERATION", help="Make this older state, e.g. 000003, the valid one.")
@click.option("--json", "as_json", is_flag=True, help="All records in full, as JSON.")
def history(store: Path, return_to: str | None, as_json: bool) -> None:
    """List the refreshes of a store, or return to an older state.

    Of each: when, how long, what came in, what was rejected, whose finding changed.

    The store keeps as many states as the setting keep_generations says; --return-to makes one of them the valid one.
    """
    from pipeline.commands.show_history import history_table
    from pipeline.store import history as store_history
    from pipeline.store.layout import settings_of

    if return_to is not None:
        if store_history.return_to(store, return_to):
            click.echo(f"Generation {return_to} is valid now. {_NEXT_REFRESH}")
        else:
            click.echo(f"Generation {return_to} is the valid one already.")
        return
    records = store_history.history_of_states(store)
    if as_json:
        click.echo(json.dumps(records, indent=2, ensure_ascii=False))
    else:
        open_console().print(history_table(records, settings_of(store).registry))


_NEXT_REFRESH = (
    "The others are kept as before. The next refresh builds on it and brings the store up to date with the inbox "
    "again. To stay here, stop the schedule, or take out of the inbox what should not count."
)

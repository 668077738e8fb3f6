"""The commands of the schedule: `nightly` and `history`. Anything heavy is imported inside, as in all commands."""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.commands.terminal import FOLDER, INBOX, JOBS, STORE, has_prefect_api, open_console
from pipeline.nightly import CLUSTER, NOTIFY, WEBHOOK

if TYPE_CHECKING:
    import polars as pl

    from pipeline.inbox.inbox import Inbox
    from pipeline.nightly.nightly import Plan


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
@click.option(
    "--webhook",
    metavar="URL",
    envvar=WEBHOOK,
    help="Send the page there as JSON: title, text. [or in SPLITDRIFT_WEBHOOK]",
)
@JOBS
@click.option("--flow", is_flag=True, help="With --once: run as a Prefect flow. [default: if a Prefect API is named]")
@click.option("--cluster", metavar="ADDRESS", help="Run as a Prefect flow on this Dask cluster, e.g. tcp://host:8786.")
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
    """Refresh every night, and write a page per night: what came in, whose finding changed, what was rejected.

    \b
    Served here:        splitdrift nightly --inbox inbox --store store --at 03:00
    By cron or systemd: splitdrift nightly --inbox inbox --store store --once

    Pages are written to nights/ in the store. A night that is due while another process changes the store is skipped.
    The next night makes up for a killed or missed one, since it reads whatever is new.

    --at is the time on the wall clock of the time zone. On the day on which the clocks leave it out it is an hour
    later; on the day on which it comes twice, the first counts. The schedule is served by Prefect: by the server that
    PREFECT_API_URL names, else by one started for it, which ends with it.

    \b
    Exit codes of --once: 0 done or skipped, 1 failed, or a file of the store is damaged, 2 wrong use.
    """  # noqa: D301 -- click needs the control character itself
    from pipeline.nightly.nightly import Plan, cron_of, look_ahead, zone_of

    zone = zone_of(time_zone)
    plan = Plan(inbox, store, zone, retries, 60 * retry_after, notify or hand_to, webhook)
    if (at is None) != once:
        raise click.UsageError("Give either --at HH:MM, to serve the schedule, or --once, for one night now.")
    if at is None:
        _night(plan, jobs=jobs, flow=flow or cluster is not None or has_prefect_api(), cluster=cluster)
        return
    cron = cron_of(at)
    look_ahead(plan)
    parameters = {"time_zone": zone.key, "retries": retries, "retry_after_min": retry_after, "jobs": jobs}
    _serve_nights(plan, cron, at, parameters, cluster)


def _night(plan: Plan, *, jobs: int | None, flow: bool, cluster: str | None) -> None:
    from pipeline.nightly.nightly import Outcome, one_night
    from pipeline.refresh.refresh import refresh as in_process

    def by_flow(contents: Inbox, into: Path) -> pl.DataFrame:
        from flows.refresh import refresh_with_prefect

        return refresh_with_prefect(contents, into, jobs=jobs, cluster=cluster)

    def by_workers(contents: Inbox, into: Path) -> pl.DataFrame:
        return in_process(contents, into, jobs=jobs)

    night = one_night(plan, by_flow if flow else by_workers)
    click.echo(night.page.text)
    if night.path is not None:
        click.echo(f"This page: {night.path}")
    for fault in night.faults:
        click.echo(f"splitdrift: {fault}", err=True)
    if night.outcome is not Outcome.SKIPPED and night.error is not None:
        raise night.error


def _serve_nights(plan: Plan, cron: str, at: str, parameters: dict[str, object], cluster: str | None) -> None:
    from pipeline.core.places import whole_name

    # A service is ended by SIGTERM; an ordinary exit then ends what was started here.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    for name, value in ((NOTIFY, plan.notify), (WEBHOOK, plan.webhook), (CLUSTER, cluster)):
        if value is not None:
            os.environ[name] = value
    click.echo(f"Starting the schedule: {plan.store} every day at {at}, time zone {parameters['time_zone']}.")
    from flows.own_server import server

    with server() as address:
        from flows.nightly import every_day, serve

        click.echo(f"Served by Prefect at {address}. Pages: {whole_name(plan.store / 'nights')}. Ctrl-C ends it.")
        places = {"inbox": whole_name(plan.inbox), "store": whole_name(plan.store)}
        serve({**places, **parameters}, every_day(cron, str(parameters["time_zone"])))


@click.command()
@STORE
@click.option("--return-to", metavar="GENERATION", help="Make this older state, e.g. 000003, the valid one.")
@click.option("--json", "as_json", is_flag=True, help="All records in full, as JSON.")
def history(store: Path, return_to: str | None, as_json: bool) -> None:
    """List the refreshes of a store: when, how long, what came in, what was rejected, whose finding changed.

    The store keeps as many states as the setting keep_generations says; --return-to makes one of them the valid one.
    """
    from pipeline.commands.show_history import history_table
    from pipeline.store import history as store_history

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
        open_console().print(history_table(records))


_NEXT_REFRESH = (
    "The others are kept as before. The next refresh builds on it and brings the store up to date with the inbox "
    "again. To stay here, stop the schedule, or take out of the inbox what should not count."
)

"""The flow `nightly`: a night as a Prefect flow, and its schedule.

Prefect starts it and shows it. The lock of the store decides whether a night may begin, and the night itself whether it
is tried again: a slot or a state that a crash left in a Prefect server cannot block it.

Anyone with access to the Prefect API can start a run with parameters of their own. So what a night executes is not a
parameter: the command and the web address that get the page come from the environment of the process that runs it.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import threading
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

import polars as pl
from prefect import flow
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy, State
from prefect.schedules import Cron, Schedule
from prefect.states import Completed, Failed
from prefect.types.entrypoint import EntrypointType

from flows.refresh import refresh_with_prefect
from pipeline.core.places import place, whole_name
from pipeline.inbox.inbox import Inbox
from pipeline.nightly import CLUSTER, NOTIFY, WEBHOOK
from pipeline.nightly.nightly import Outcome, Plan, one_night, zone_of


@flow(name="nightly", persist_result=False)
def nightly(
    inbox: str,
    store: str,
    *,
    time_zone: str | None = None,
    retries: int = 2,
    retry_after_min: float = 10.0,
    jobs: int | None = None,
) -> State[None]:
    """Bring a store up to date with its inbox, write the page of the night and deliver that.

    The page goes to the command in SPLITDRIFT_NOTIFY and to the web address in SPLITDRIFT_WEBHOOK; with the address of
    a Dask scheduler in SPLITDRIFT_CLUSTER its workers are used. None is a parameter: runs may be created by others.

    Args:
        inbox: folder or address.
        store: folder or address.
        time_zone: of dates and times on the page; the machine's if not given.
        retries: how often a failed night is tried again.
        retry_after_min: minutes it waits before that.
        jobs: worker threads; one per core if not given.
    """
    _end_with_schedule()

    def refresh(inbox: Inbox, into: Path) -> pl.DataFrame:
        return refresh_with_prefect(inbox, into, jobs=jobs, cluster=os.environ.get(CLUSTER) or None)

    plan = Plan(
        inbox=place(inbox),
        store=place(store),
        zone=zone_of(time_zone),
        retries=retries,
        retry_after_s=60 * retry_after_min,
        notify=os.environ.get(NOTIFY) or None,
        webhook=os.environ.get(WEBHOOK) or None,
    )
    night = one_night(plan, refresh)
    if night.outcome in (Outcome.FAILED, Outcome.DAMAGED):
        return Failed(message=night.sentence)
    return Completed(name="Skipped" if night.outcome is Outcome.SKIPPED else "Completed", message=night.sentence)


def _end_with_schedule() -> None:
    """End this process when the one that serves the schedule has ended, however that ended.

    Otherwise a night would hold the lock until Prefect's client stops trying to reach the server, which has ended too.
    Nights of a Prefect worker continue without it: their server is another process.
    """
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)  # as safe as a kill: incomplete states are never visible

    threading.Thread(target=watch, daemon=True).start()


def every_day(cron: str, time_zone: str) -> Schedule:
    """A schedule by the wall clock of a time zone."""
    return Cron(cron, timezone=time_zone)


def serve(parameters: dict[str, Any], schedule: Schedule) -> None:
    """Start the flow by a schedule until this process is asked to end.

    A night that is scheduled while another is running is cancelled at once, instead of waiting behind it.

    Args:
        parameters: of the flow.
        schedule: when.
    """
    store = place(parameters["store"])
    nightly.serve(
        name=f"{store.name}-{hashlib.sha256(whole_name(store).encode()).hexdigest()[:8]}",
        schedules=[schedule],
        parameters=parameters,
        global_limit=ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW),
        entrypoint_type=EntrypointType.MODULE_PATH,
        print_starting_message=False,
    )

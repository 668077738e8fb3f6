"""The flow `nightly`: a night as a Prefect flow, and its schedule.

Prefect starts it and shows it. Whether a night may begin is decided by the lock of the store, whether it is tried again
by the night itself: a slot or a state that a crash left behind in a Prefect server then stands in nobody's way.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import threading
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

# isort: on
import polars as pl
from prefect import flow
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy, State
from prefect.schedules import Cron, Schedule
from prefect.states import Completed, Failed
from prefect.types.entrypoint import EntrypointType

# isort: off  -- flows.refresh sets the environment which Prefect reads when it is imported
from flows.refresh import refresh_with_prefect
from pipeline.core.places import place, whole_name
from pipeline.inbox.inbox import Inbox
from pipeline.nightly.nightly import FAILED, SKIPPED, Plan, one_night, zone_of

#: Names the web address in the environment, so that what may be a secret is neither an argument nor a parameter.
WEBHOOK = "SPLITDRIFT_WEBHOOK"


@flow(name="nightly", persist_result=False)
def nightly(
    inbox: str,
    store: str,
    *,
    time_zone: str | None = None,
    retries: int = 2,
    retry_after_min: float = 10.0,
    jobs: int | None = None,
    cluster: str | None = None,
    notify: str | None = None,
) -> State[None]:
    """Bring a store up to date with its inbox, tell the night on a page and hand that on.

    The web address that the page is sent to is read from SPLITDRIFT_WEBHOOK.

    Args:
        inbox: folder or address.
        store: folder or address.
        time_zone: that dates and times are told in; the machine's if not given.
        retries: how often a failed night is tried again.
        retry_after_min: minutes it waits before that.
        jobs: worker threads; one a core if not given.
        cluster: address of a Dask scheduler whose workers take the place of threads.
        notify: command that is handed the page.
    """
    _end_with_schedule()

    def refresh(found: Inbox, into: Path) -> pl.DataFrame:
        return refresh_with_prefect(found, into, jobs=jobs, cluster=cluster)

    plan = Plan(
        inbox=place(inbox),
        store=place(store),
        zone=zone_of(time_zone),
        retries=retries,
        retry_after_s=60 * retry_after_min,
        notify=notify,
        webhook=os.environ.get(WEBHOOK) or None,
    )
    outcome = one_night(plan, refresh)
    if outcome.how == FAILED:
        return Failed(message=outcome.sentence)
    return Completed(name="Skipped" if outcome.how == SKIPPED else "Completed", message=outcome.sentence)


def _end_with_schedule() -> None:
    """End this process when the one that serves the schedule has ended, however it did.

    Without it, and without the server that ended with it, a night would hold the lock until Prefect's client gives up.
    A worker's nights go on without their worker: their server is another process.
    """
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)  # as safe as any sudden end: nothing that is half made is seen

    threading.Thread(target=watch, daemon=True).start()


def every_day(cron: str, time_zone: str) -> Schedule:
    """A schedule by the clock on the wall of a time zone."""
    return Cron(cron, timezone=time_zone)


def serve(parameters: dict[str, Any], schedule: Schedule) -> None:
    """Start the flow by a schedule until this process is told to end.

    A night that comes due while another is under way is given up at once, instead of waiting behind it.

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

"""The flow `nightly`: a night as a Prefect flow, for the deployment in `prefect.yaml`.

Prefect starts it and shows it. The lock of the store decides whether a night may begin, and the night itself whether it
is tried again: a slot or a state that a crash left in a Prefect server cannot block it.

Anyone with access to the Prefect API can start a run with parameters of their own. So what a night executes is not a
parameter: the command and the web address that get the page come from the environment of the process that runs it.
"""

from __future__ import annotations

import os
from pathlib import Path

import polars as pl
from prefect import flow
from prefect.client.schemas.objects import State
from prefect.states import Completed, Failed

from flows.refresh import refresh_with_prefect
from pipeline.core.places import place
from pipeline.inbox.inbox import Inbox
from pipeline.nightly import CLUSTER, NOTIFY, WEBHOOK
from pipeline.nightly.nightly import Outcome, one_night
from pipeline.nightly.plan import Plan, zone_of
from pipeline.refresh import WORKER_LOADS
from pipeline.refresh.refresh import refresh as in_process
from pipeline.workers.cluster import cluster_workers


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

    def refresh(inbox: Inbox, into: Path) -> pl.DataFrame:
        cluster = os.environ.get(CLUSTER)
        if not cluster:
            return refresh_with_prefect(inbox, into, jobs=jobs)
        with cluster_workers(cluster, loads=WORKER_LOADS) as mapper:
            return in_process(inbox, into, mapper=mapper)

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

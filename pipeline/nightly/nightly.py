"""A night: one refresh of a store, tried again if it fails, and a page about it, which is delivered.

    store/nights/2026-11-26.md      the page of a night, by its local date; 2026-11-26-2.md for a second one that day

A night keeps nothing but its page. What there is to do follows from the inbox and the store, so the next night makes up
for one that was killed, or missed because the machine was off.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import Enum
from itertools import count
from pathlib import Path

import polars as pl

from pipeline.core.errors import Damaged, Held, NothingDone, SplitdriftError, UsageError, in_words
from pipeline.core.places import is_remote, make_folder, replacing, whole_name
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.nightly import delivery, night_page
from pipeline.nightly.night_page import NightPage
from pipeline.nightly.plan import Plan
from pipeline.refresh.damage import check_share
from pipeline.refresh.notices import notices_of
from pipeline.refresh.refresh import require_apart
from pipeline.store.generations import is_store, prepare, published
from pipeline.store.history import note_failed, read_history, replaced_inbox
from pipeline.store.layout import ledger_of_valid, read_rows
from pipeline.store.lock import locked
from pipeline.workers.process import is_panic

NIGHTS = "nights"
_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})(?:-(\d+))?\.md")


class Outcome(Enum):
    """What became of a night."""

    DONE = "done"
    DAMAGED = "done, in a store with damaged files"
    SKIPPED = "skipped"
    FAILED = "failed"


#: Brings a store up to date with an inbox and returns the ledger.
Refresh = Callable[[Inbox, Path], pl.DataFrame]


@dataclass(frozen=True)
class Night:
    """A night that is over.

    Attributes:
        path: of the page's file; None where there is no store for it.
        faults: deliveries that failed, one sentence each.
    """

    outcome: Outcome
    page: NightPage
    path: Path | None = None
    faults: tuple[str, ...] = ()
    error: BaseException | None = None

    @property
    def sentence(self) -> str:
        """The night in one line, for a log."""
        has_reason = self.outcome is not Outcome.SKIPPED and self.error is not None
        reason = [night_page.reason(self.error)] if has_reason and self.error is not None else []
        return ". ".join(part.rstrip(".") for part in [self.page.title, *reason, *self.faults]) + "."


# --- A night ---------------------------------------------------------------------------------------------------------


def look_ahead(plan: Plan) -> None:
    """Check before the first night that it can run, while someone is at the keyboard.

    Raises:
        UsageError: there is no inbox, a list or the settings have a fault, the store's folder cannot be one, or the
            page cannot be delivered that way.
    """
    require_deliverable(plan)
    try:
        require_apart(read_inbox(plan.inbox), plan.store)
    except NothingDone:
        return  # an inbox may fill later
    prepare(plan.store)


def require_deliverable(plan: Plan) -> None:
    """Check before a night that its page can be delivered as asked.

    Raises:
        UsageError: the command is none that can be started, or the address none of a web server.
    """
    if plan.notify is not None:
        delivery.words_of(plan.notify)
    if plan.webhook is not None:
        delivery.parts_of(plan.webhook)


def one_night(
    plan: Plan,
    refresh: Refresh,
    *,
    sleep: Callable[[float], object] = time.sleep,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Night:
    """Bring the store up to date, write a page about it and deliver that.

    Raises only what ends the process: any other error is on the page and in the result.

    Args:
        refresh: how; raises what `pipeline.refresh.refresh.refresh` raises.
        sleep: waits between tries [s].
        now: the clock, in UTC.
    """
    file = _PageFile(plan.store)
    failures: list[night_page.Failure] = []
    while True:
        began_at = now().astimezone(plan.zone)
        try:
            page, damage = _try(plan, refresh, began_at, failures, file.undelivered())
        except Held as error:
            skipped = night_page.skipped(began_at, error.fact)
            return _delivered(plan, file, Night(Outcome.SKIPPED, skipped, error=error))
        except BaseException as error:  # any error becomes a page, a panic of a compiled library too
            if not isinstance(error, Exception) and not is_panic(error):
                raise
            failures.append(night_page.Failure(began_at, night_page.reason(error)))
            if isinstance(error, UsageError) or len(failures) > plan.retries:
                page = night_page.failed(failures, again_at=None)
                _note_failed(plan.store, failures)
                return _delivered(plan, file, Night(Outcome.FAILED, page, error=error))
        else:
            outcome = Outcome.DONE if damage is None else Outcome.DAMAGED
            return _delivered(plan, file, Night(outcome, page, error=damage))
        again_at = now().astimezone(plan.zone) + timedelta(seconds=plan.retry_after_s)
        file.write(night_page.failed(failures, again_at=again_at))
        sleep(plan.retry_after_s)


def lost_night(plan: Plan, began_at: datetime, reason: str) -> Night:
    """Write and deliver the page of a night whose process ended before it could.

    Args:
        began_at: with a time zone.
        reason: why it ended, to follow a colon.
    """
    failure = night_page.Failure(began_at.astimezone(plan.zone), reason)
    _note_failed(plan.store, [replace(failure, reason=f"{reason[0].upper()}{reason[1:]}.")])
    night = Night(Outcome.FAILED, night_page.lost(failure), error=NothingDone(reason))
    return _delivered(plan, _PageFile(plan.store), night)


def _note_failed(store: Path, failures: Sequence[night_page.Failure]) -> None:
    """Note in the history that a night failed, if the storage takes it."""
    try:
        if is_store(store):
            with locked(store):
                note_failed(store, failures[0].began_at, failures[-1].reason)
    except Exception as error:
        if in_words(error) is None:
            raise


def _try(
    plan: Plan, refresh: Refresh, began_at: datetime, failures: Sequence[night_page.Failure], notices: Sequence[str]
) -> tuple[NightPage, Damaged | None]:
    """One refresh, and a check of a share of the store's files; returns the page about both, and the damage."""
    if is_store(plan.store):
        with locked(plan.store):
            pass  # a cheap check before the inbox is read; the refresh itself takes the lock
        if not plan.inbox.is_dir():  # it was there at the last refresh
            raise NothingDone(f"The inbox {plan.inbox} is not there. Is its disk or share missing?")
    inbox = read_inbox(plan.inbox)
    require_apart(inbox, plan.store)
    before = None
    with suppress(Damaged):  # the refresh says so, if it needs what is damaged
        before = ledger_of_valid(plan.store, ("path", "session", "guards_not_met"))
    ledger = refresh(inbox, plan.store)
    damage = None
    try:
        check_share(plan.store, began_at.date())
    except Damaged as error:
        damage = error
    record = read_history(plan.store)[-1]
    page = night_page.done(
        record,
        began_at=began_at,
        ledger=ledger,
        drifts=read_rows(published(plan.store), "athlete_drift"),
        names=dict(inbox.athletes.select("athlete_id", "display_name").drop_nulls().iter_rows()),
        notices=[*replaced_inbox(plan.store, record), *notices, *notices_of(inbox, ledger, before)],
        failures=failures,
        damage=damage,
        registry=inbox.settings.registry,
    )
    return page, damage


def _delivered(plan: Plan, file: _PageFile, night: Night) -> Night:
    path, page = file.write(night.page), night.page
    results = []
    if plan.notify is not None:
        name = None if path is None else whole_name(path)
        results.append(_fault_of(delivery.to_command, plan.notify, name, page.text))
    if plan.webhook is not None:
        results.append(_fault_of(delivery.to_web, plan.webhook, page.title, page.text))
    faults = tuple(fault for fault in results if fault is not None)
    page = night_page.with_faults(page, faults)
    return replace(night, page=page, path=file.write(page) if faults else path, faults=faults)


def _fault_of(deliver: Callable[..., str | None], *arguments: str | None) -> str | None:
    """What went wrong with a delivery; a malformed command or address is a fault like any other."""
    try:
        return deliver(*arguments)
    except SplitdriftError as error:
        return str(error)


# --- Its page --------------------------------------------------------------------------------------------------------


class _PageFile:
    """The file of a night's page: it takes a free name when it is first written, and keeps that."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._path: Path | None = None

    def undelivered(self) -> list[str]:
        """A sentence where a delivery of the page before this one failed."""
        folder, before = self._store / NIGHTS, dict[tuple[str, int], Path]()
        for path in folder.iterdir() if folder.is_dir() else ():
            if path != self._path and (match := _NAME.fullmatch(path.name)) is not None:
                before[match[1], int(match[2] or 1)] = path
        if before and f"\n{night_page.NOT_DELIVERED}\n" in (last := before[max(before)]).read_text(encoding="utf-8"):
            return [f"The page before this one, {last.name}, was not delivered everywhere; its end says why."]
        return []

    def write(self, page: NightPage) -> Path | None:
        """Write the page, whole or not at all; returns its path, None where there is no store or no room."""
        try:
            if not is_store(self._store):
                return None
            folder = self._store / NIGHTS
            make_folder(folder)
            path = self._path or _free_path(folder, page)
            if is_remote(folder):  # objects are written whole
                path.write_bytes(page.text.encode())
            else:
                _replace(path, page, is_new=self._path is None)
            self._path = path
        except Exception as error:
            if in_words(error) is None:
                raise
            # Such as a full disk, which has made the night fail already; the page is still delivered.
        return self._path


def _replace(path: Path, page: NightPage, *, is_new: bool) -> None:
    try:
        with replacing(path) as temporary:
            temporary.write_text(page.text, encoding="utf-8")
    except OSError:
        if is_new:
            path.unlink(missing_ok=True)  # the empty file that reserved the name
        raise


def _free_path(folder: Path, page: NightPage) -> Path:
    for number in count(1):
        path = folder / (f"{page.date}.md" if number == 1 else f"{page.date}-{number}.md")
        if is_remote(folder):
            if not path.exists():
                return path
            continue
        with suppress(FileExistsError):
            path.touch(exist_ok=False)  # which reserves the name against another night of this moment
            return path
    raise AssertionError("unreachable")

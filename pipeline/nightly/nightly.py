"""A night: one refresh of a store, tried again if it fails, told on a page, and handed on.

    store/nights/2026-11-26.md      the page of a night, by its local date; 2026-11-26-2.md for a second one that day

A night keeps nothing but its page. What there is to do is seen from the inbox and the store, so a night that was
killed, or missed because the machine was off, is made up for by the next.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from difflib import get_close_matches
from itertools import count
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

import polars as pl

from pipeline.core.errors import Held, NothingDone, SplitdriftError, UsageError, in_words
from pipeline.core.places import is_remote, make_folder
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.nightly import delivery, night_page
from pipeline.refresh.duplicates import with_several_athletes
from pipeline.refresh.refresh import require_apart
from pipeline.store.generations import is_store, prepare, published
from pipeline.store.history import read_history
from pipeline.store.layout import read_rows
from pipeline.store.lock import locked

NIGHTS = "nights"
DONE, SKIPPED, FAILED = "done", "left out", "failed"

#: Brings a store up to date with an inbox and returns the ledger.
Refresh = Callable[[Inbox, Path], pl.DataFrame]


@dataclass(frozen=True)
class Plan:
    """What a night is to do.

    Attributes:
        inbox: folder or address.
        store: folder or address.
        zone: time zone that dates and times of the night are told in.
        retries: how often a failed night is tried again.
        retry_after_s: how long it waits before that [s].
        notify: command that is handed the page; None for none.
        webhook: web address that is sent the page; None for none.
    """

    inbox: Path
    store: Path
    zone: tzinfo
    retries: int = 2
    retry_after_s: float = 600.0
    notify: str | None = None
    webhook: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a night.

    Attributes:
        how: `DONE`, `SKIPPED` or `FAILED`.
        text: of the page.
        page: where it lies; None where there is no store that it could lie in.
        faults: to whom it could not be handed, a sentence each.
        error: of the last try, if that failed.
    """

    how: str
    text: str
    page: Path | None
    faults: tuple[str, ...] = ()
    error: Exception | None = None

    @property
    def sentence(self) -> str:
        """The night in one line, for a log."""
        reason = [night_page.reason(self.error)] if self.how == FAILED and self.error is not None else []
        return ". ".join(one.rstrip(".") for one in [night_page.title_of(self.text), *reason, *self.faults]) + "."


# --- Times -----------------------------------------------------------------------------------------------------------


def cron_of(at: str) -> str:
    """A time of day as a cron line.

    Raises:
        UsageError: it is no time of day.
    """
    found = re.fullmatch(r"([01][0-9]|2[0-3]):([0-5][0-9])", at)
    if found is None:
        raise UsageError(f"--at {at!r} is no time of day; write it as HH:MM from 00:00 to 23:59, such as 03:00.")
    return f"{int(found[2])} {int(found[1])} * * *"


def zone_of(name: str | None) -> ZoneInfo:
    """A time zone by its name; None for the machine's own.

    Raises:
        UsageError: there is none of that name.
    """
    wanted = machine_zone() if name is None else name
    known = available_timezones()
    if wanted in known:
        return ZoneInfo(wanted)
    near = get_close_matches(wanted, known, n=1)
    advice = f"Did you mean {near[0]}?" if near else "It takes a name such as Europe/Berlin or UTC."
    raise UsageError(f"There is no time zone '{wanted}'. {advice}")


def machine_zone() -> str:
    """The name of the machine's time zone; UTC where it has none."""
    known = available_timezones()
    named = [os.environ.get("TZ", "").removeprefix(":"), os.path.realpath("/etc/localtime").partition("zoneinfo/")[2]]
    with suppress(OSError, ValueError):
        named.append(Path("/etc/timezone").read_text(encoding="ascii").strip())
    # The folders `posix` and `right` hold every zone a second time.
    plain = (name.removeprefix("posix/").removeprefix("right/") for name in named)
    return next((name for name in plain if name in known), "UTC")


# --- A night ---------------------------------------------------------------------------------------------------------


def look_ahead(plan: Plan) -> None:
    """See before the first night that it can be: what is wrong now would be wrong with nobody at the keyboard.

    Raises:
        UsageError: there is no inbox, a list or the settings have a fault, the store's folder cannot be one, or the
            page cannot be handed on that way.
    """
    if plan.notify is not None:
        delivery.words_of(plan.notify)
    if plan.webhook is not None:
        delivery.host_of(plan.webhook)
    try:
        require_apart(read_inbox(plan.inbox), plan.store)
    except NothingDone:
        return  # an inbox may fill later
    prepare(plan.store)


def one_night(
    plan: Plan,
    refresh: Refresh,
    *,
    sleep: Callable[[float], object] = time.sleep,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Outcome:
    """Bring the store up to date, tell it on a page and hand that on.

    Nothing is raised but what ends the process: whatever else goes wrong is told on the page and in the outcome.

    Args:
        plan: what to do.
        refresh: how; raises what `pipeline.refresh.refresh.refresh` raises.
        sleep: waits between tries [s].
        now: the clock, in UTC.
    """
    page = _Page(plan.store)
    failures: list[night_page.Failure] = []
    while True:
        began_at = now().astimezone(plan.zone)
        try:
            text = _try(plan, refresh, began_at, failures)
        except Held as error:
            who = str(error).partition(" Wait until")[0]  # nobody waits at night
            return _handed_on(plan, page, Outcome(SKIPPED, night_page.skipped(began_at, who), None, error=error))
        except Exception as error:  # nobody is there to read a traceback at night
            failures.append(night_page.Failure(began_at, night_page.reason(error)))
            if isinstance(error, UsageError) or len(failures) > plan.retries:
                text = night_page.failed(failures, again_at=None)
                return _handed_on(plan, page, Outcome(FAILED, text, None, error=error))
        else:
            return _handed_on(plan, page, Outcome(DONE, text, None))
        again_at = now().astimezone(plan.zone) + timedelta(seconds=plan.retry_after_s)
        page.write(night_page.failed(failures, again_at=again_at))
        sleep(plan.retry_after_s)


def _try(plan: Plan, refresh: Refresh, began_at: datetime, failures: Sequence[night_page.Failure]) -> str:
    """One refresh; returns the page that tells it."""
    if is_store(plan.store):
        with locked(plan.store):
            pass  # free a moment ago; what decides is that the refresh itself gets it
        if not plan.inbox.is_dir():  # it was there at the last refresh
            raise NothingDone(f"The inbox {plan.inbox} is not there. Is its disk or share missing?")
    found = read_inbox(plan.inbox)
    require_apart(found, plan.store)
    ledger = refresh(found, plan.store)
    return night_page.done(
        read_history(plan.store)[-1],
        began_at=began_at,
        ledger=ledger,
        drifts=read_rows(published(plan.store), "athlete_drift"),
        names=dict(found.athletes.select("athlete_id", "display_name").drop_nulls().iter_rows()),
        notices=[*found.notices, *with_several_athletes(ledger)],
        failures=failures,
    )


def _handed_on(plan: Plan, page: _Page, outcome: Outcome) -> Outcome:
    faults = []
    place = page.write(outcome.text)
    if plan.notify is not None:
        faults.append(_harmless(lambda: delivery.to_command(plan.notify or "", _name(place), outcome.text)))
    if plan.webhook is not None:
        title = night_page.title_of(outcome.text)
        faults.append(_harmless(lambda: delivery.to_web(plan.webhook or "", title, outcome.text)))
    told = tuple(one for one in faults if one is not None)
    text = night_page.with_faults(outcome.text, told)
    return replace(outcome, text=text, page=page.write(text) if told else place, faults=told)


def _harmless(handing: Callable[[], str | None]) -> str | None:
    """A way of handing on that was never one is a fault like any other by night."""
    try:
        return handing()
    except SplitdriftError as error:
        return str(error)


# --- Its page --------------------------------------------------------------------------------------------------------


class _Page:
    """The page of one night: it finds a free name when it is first written, and is replaced there from then on."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._place: Path | None = None

    def write(self, text: str) -> Path | None:
        """Write the page, whole or not at all; returns its place, None where there is no store or no room."""
        try:
            if not is_store(self._store):
                return None
            make_folder(self._store / NIGHTS)
            self._place = _write(self._store / NIGHTS, self._place, text)
        except Exception as error:
            if in_words(error) is None:
                raise
            # A full disk has ended the night already, and that is told to whom the page is handed.
            return self._place
        return self._place


def _write(folder: Path, place: Path | None, text: str) -> Path:
    date = re.search(r"\d{4}-\d{2}-\d{2}", night_page.title_of(text))
    name = date.group() if date else "night"
    if is_remote(folder):  # objects are written whole
        place = place if place is not None else next(one for one in _names(folder, name) if not one.exists())
        place.write_bytes(text.encode())
        return place
    beside = folder / f".{name}.{os.getpid()}"
    beside.write_text(text, encoding="utf-8")
    try:
        if place is not None:
            os.replace(beside, place)
            return place
        for free in _names(folder, name):
            try:
                free.touch(exist_ok=False)  # the name is ours from here on, also against another night of this moment
            except FileExistsError:
                continue
            os.replace(beside, free)
            return free
    finally:
        beside.unlink(missing_ok=True)
    raise AssertionError("names never end")


def _names(folder: Path, name: str) -> Iterator[Path]:
    return (folder / (f"{name}.md" if number == 1 else f"{name}-{number}.md") for number in count(1))


def _name(place: Path | None) -> str | None:
    if place is None:
        return None
    return str(place) if is_remote(place) else str(place.resolve())

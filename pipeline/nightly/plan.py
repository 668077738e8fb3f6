"""What a night is to do and when it is due. Loads nothing heavy, so that the process that waits for it stays small."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from difflib import get_close_matches
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from pipeline.core.errors import UsageError


@dataclass(frozen=True)
class Plan:
    """What a night is to do.

    Attributes:
        zone: time zone of dates and times on the page.
        retries: how often a failed night is tried again.
        retry_after_s: how long it waits before that [s].
        notify: command that gets the page; None for none.
        webhook: web address that the page is sent to; None for none.
    """

    inbox: Path
    store: Path
    zone: tzinfo
    retries: int = 2
    retry_after_s: float = 600.0
    notify: str | None = None
    webhook: str | None = None


def time_of(at: str) -> time:
    """A time of day.

    Raises:
        UsageError: it is none.
    """
    if re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", at) is None:
        raise UsageError(f"--at {at!r} is not a time of day; write it as HH:MM from 00:00 to 23:59, such as 03:00.")
    return time.fromisoformat(at)


def next_night(at: time, after: datetime) -> datetime:
    """When it is next that time of day on the wall clock of a zone.

    A time that the clocks leave out is an hour later that day; of one that comes twice it is the first.

    Args:
        after: in that zone.

    Returns:
        In UTC.
    """
    day = after.date()
    while True:
        due = datetime.combine(day, at, tzinfo=after.tzinfo).astimezone(UTC)
        if due > after.astimezone(UTC):
            return due
        day += timedelta(days=1)


def zone_of(name: str | None) -> ZoneInfo:
    """A time zone by its name; None for the machine's own.

    Raises:
        UsageError: there is no time zone of that name.
    """
    wanted = machine_zone() if name is None else name
    if wanted in available_timezones():
        return ZoneInfo(wanted)
    near = get_close_matches(wanted, available_timezones(), n=1)
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

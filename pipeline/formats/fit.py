"""FIT: one recording per session of the file.

`fit_messages` reads what the file says; here its links are separated and its messages turned into recordings. Source
of field numbers and enumerations: the public FIT profile, as shipped inside the decoders; its field names appear in
the three `fit` modules only.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason, because
from pipeline.formats import DEFAULTS, RUNNING, ReadOptions, Recording, readings_frame, require_few_sessions
from pipeline.formats.fit_fields import read_columns
from pipeline.formats.fit_messages import Columns, Messages, read_messages

#: Words for the sports that share a file with running most often (FIT profile, enumeration `sport`).
SPORTS: Mapping[int, str] = {
    0: "generic", 1: RUNNING, 2: "cycling", 3: "transition", 4: "fitness equipment", 5: "swimming", 10: "training",
    11: "walking", 12: "cross-country skiing", 13: "alpine skiing", 14: "snowboarding", 15: "rowing",
    16: "mountaineering", 17: "hiking", 18: "multisport", 19: "paddling", 21: "e_biking",
}  # fmt: skip

#: What a file is when it is not an activity (FIT profile, enumeration `file`).
FILE_TYPES: Mapping[int, str] = {
    1: "device", 2: "settings", 3: "sport settings", 5: "workout plan", 6: "course", 7: "schedule", 9: "weight scale",
    10: "totals", 11: "goals", 14: "blood pressure", 15: "daily monitoring", 20: "activity summary",
    28: "daily monitoring", 32: "daily monitoring",
}  # fmt: skip
ACTIVITY = 4
#: Treadmill and indoor running (FIT profile, enumeration `sub_sport`).
INDOORS = (1, 45)

#: Of one session a lap follows on another, whatever the seconds say; between sessions there may be minutes. Common
#: practice, no source.
LAP_GAP_S = 10.0

TIMER = 0  # enumeration `event`
TIMER_STARTS = 0  # enumeration `event_type`
TIMER_STOPS = (1, 4, 8, 9)  # stop, stop all, stop disable, stop disable all


def decode(content: bytes, options: ReadOptions = DEFAULTS) -> list[Recording]:
    """Read every session of every link of a FIT file.

    Returns:
        One recording per session, running or not, in the order of their start.

    Raises:
        Refused: nothing of an activity could be read.
    """
    recordings: list[Recording] = []
    refusals: list[Refused] = []
    for n_links, link in enumerate(_links(content), start=1):
        require_few_sessions(n_links)
        try:
            recordings += _sessions(_read_activity(link), options)
        except Refused as refusal:
            refusals.append(refusal)
        require_few_sessions(len(recordings))
    if recordings and refusals:
        lost = because(Reason.PART_LOST, lost=refusals[0].reasons[0])
        return [replace(one, damage=one.damage or lost) for one in recordings]
    if refusals:
        raise refusals[0]
    if not recordings:
        raise Refused(Reason.FIT_WITHOUT_MEASUREMENTS)
    return recordings


def _links(content: bytes) -> Iterator[bytes]:
    """Cut a chained file at its headers; the last link may be shorter than its header says."""
    if not content:
        raise Refused(Reason.EMPTY)
    start = 0
    while start < len(content):
        header = content[start : start + 12]
        if len(header) < 12 or header[8:12] != b".FIT" or header[0] < 12:
            if start == 0:
                raise Refused(Reason.NO_FIT)
            return  # bytes after the last complete link are padding
        records = int(struct.unpack_from("<I", header, 4)[0])
        if records == 0:
            # A device writes the size when it closes the file: without it, power was lost and the rest is records.
            rest = content[start + 12 :]
            size = max(len(content) - start - header[0], 0)  # the header may claim to be longer than the file
            yield header[:4] + struct.pack("<I", size) + header[8:] + rest
            return
        yield content[start : start + header[0] + records + 2]
        start += header[0] + records + 2


def _read_activity(link: bytes) -> Messages:
    messages = read_messages(link)
    if messages.file_type is not None and messages.file_type != ACTIVITY:
        known = FILE_TYPES.get(messages.file_type, "")
        raise Refused(Reason.OTHER_FIT, file_type=known, number="" if known else str(messages.file_type))
    return messages


def _sessions(messages: Messages, options: ReadOptions) -> list[Recording]:
    """Share the records among the sessions by time; a file without any session is one recording."""
    n_sessions = max((len(column) for column in messages.sessions.values()), default=0)
    require_few_sessions(n_sessions)
    unknown = np.full(n_sessions, np.nan)
    starts = messages.sessions.get("start_time", unknown)
    sports = messages.sessions.get("sport", unknown)
    order = np.argsort(starts, kind="stable")
    starts, sports = starts[order], sports[order]
    kinds = messages.sessions.get("sub_sport", unknown)[order]
    base = Recording(readings=_no_readings(), device=messages.device, damage=messages.damage)
    has_records = "timestamp" in messages.records
    if not has_records:
        return [replace(base, sport=_word(sport)) for sport in sports]

    readings, sensors = read_columns(messages.records, messages.described, messages.packed, options)
    time_s = messages.records["timestamp"]
    # A record belongs to the last session that has begun; the first session also takes what came before it, since some
    # devices set the clock after they begin to record.
    owner = (
        np.maximum(np.searchsorted(starts[1:], time_s, side="right"), 0) if len(starts) > 1 else np.zeros(len(time_s))
    )
    pauses, laps = _pauses(messages.events), _laps(messages.laps)
    recordings = []
    for position in range(max(len(starts), 1)):
        mine = owner == position
        sport = _word(sports[position]) if len(sports) else _sport_of_records(messages)
        timed_s = time_s[mine & np.isfinite(time_s)]
        first, last = (timed_s.min(), timed_s.max()) if len(timed_s) else (np.nan, np.nan)
        recordings.append(
            replace(
                base,
                readings=readings if mine.all() else readings.filter(pl.Series(mine)),
                sport=sport,
                is_indoors=bool(len(kinds)) and kinds[position] in INDOORS,
                pauses=tuple((stop, start) for stop, start in pauses if first <= stop and start <= last),
                laps=tuple((begin, end) for begin, end in laps if first <= (begin + end) / 2 <= last),
                sensors=sensors,
            )
        )
    return recordings


@cache
def _no_readings() -> pl.DataFrame:
    return readings_frame({"time_s": np.empty(0)})


def _word(sport: float | None) -> str | None:
    return None if sport is None or np.isnan(sport) else SPORTS.get(int(sport), f"sport {int(sport)}")


def _sport_of_records(messages: Messages) -> str | None:
    """Without a session: the file's own sport message, else what the records say most of the time."""
    if messages.sport is not None:
        return _word(messages.sport)
    kinds = messages.records.get("activity_type", np.array([]))
    kinds = kinds[np.isfinite(kinds)]
    if not len(kinds):
        return None
    # Enumeration `activity_type`: 1 running, 2 cycling, 5 swimming, 6 walking. Walking breaks belong to a run.
    if np.any(kinds == 1):
        return RUNNING
    return {2: "cycling", 5: "swimming", 6: "walking"}.get(int(kinds[0]))


def _laps(laps: Columns) -> list[tuple[float, float]]:
    """Begin and end of each lap in order.

    Devices write starts in whole seconds, durations in milliseconds, and the time of a lap's own message up to minutes
    after its end: a lap ends where the next begins, the last one after its duration.
    """
    if "start_time" not in laps:
        return []
    order = np.argsort(laps["start_time"], kind="stable")
    unknown = np.full(len(order), np.nan)
    begins, duration_s, written = (
        laps.get(name, unknown)[order] for name in ("start_time", "total_elapsed_time", "timestamp")
    )
    ends = np.where(duration_s > 0, begins + duration_s, written)
    following = np.append(begins[1:], np.inf)
    ends = np.where(following - ends < LAP_GAP_S, following, ends)
    is_lap = ends > begins
    return list(zip(begins[is_lap].tolist(), ends[is_lap].tolist(), strict=True))


def _pauses(events: Columns) -> list[tuple[float, float]]:
    """Pairs of timer stop and next timer start."""
    if not {"timestamp", "event", "event_type"} <= events.keys():
        return []
    pauses, stopped = [], None
    timer = (events["event"] == TIMER) & np.isfinite(events["timestamp"])
    for time_s, kind in sorted(zip(events["timestamp"][timer], events["event_type"][timer], strict=True)):
        if kind in TIMER_STOPS:
            stopped = time_s if stopped is None else stopped
        elif kind == TIMER_STARTS and stopped is not None:
            pauses.append((float(stopped), float(time_s)))
            stopped = None
    return pauses

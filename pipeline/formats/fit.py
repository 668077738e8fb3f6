"""FIT: one file, one recording a session.

Two decoders share the work because neither suffices alone. `fitfast` reads sound files, whole columns at a time; it
gives nothing of a file with any fault in it, and on some faults ends in a panic that is not an `Exception`. `fitdecode`
reads message by message, so that everything before a fault is kept; it is some eighty times slower and rejects a few
sound files. Each link of a chained file is tried with the first, then with the second.

Source of field numbers, scales and enumerations: the public FIT profile, as shipped inside both decoders; field names
of the profile appear in this module and `fit_fields` only.
"""

from __future__ import annotations

import os
import re
import struct
import sys
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from io import BytesIO
from typing import Any

import fitdecode
import fitfast
import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.errors import Refused
from pipeline.formats import RUNNING, Recording, readings_frame
from pipeline.formats.fit_fields import Described, read_columns

Columns = dict[str, npt.NDArray[np.float64]]

#: Words for the sports that share a file with running most often (FIT profile, enumeration `sport`).
SPORTS: Mapping[int, str] = {
    0: "generic", 1: RUNNING, 2: "cycling", 3: "transition", 4: "fitness equipment", 5: "swimming", 10: "training",
    11: "walking", 12: "cross-country skiing", 13: "alpine skiing", 14: "snowboarding", 15: "rowing",
    16: "mountaineering", 17: "hiking", 18: "multisport", 19: "paddling",
}  # fmt: skip

#: What a file is when it is not an activity (FIT profile, enumeration `file`).
FILE_TYPES: Mapping[int, str] = {
    1: "device", 2: "settings", 3: "sport settings", 5: "workout plan", 6: "course", 7: "schedule", 9: "weight scale",
    10: "totals", 11: "goals", 14: "blood pressure", 15: "daily monitoring", 20: "activity summary",
    28: "daily monitoring", 32: "daily monitoring",
}  # fmt: skip
ACTIVITY = 4

TIMER = 0  # enumeration `event`
TIMER_STARTS = 0  # enumeration `event_type`
TIMER_STOPS = (1, 4, 8, 9)  # stop, stop all, stop disable, stop disable all

UNIX_OF_FIT_EPOCH = 631_065_600  # 1989-12-31T00:00:00Z


@dataclass
class _Messages:
    """What one link of a FIT file said, in columns, whichever decoder read it."""

    records: Columns
    sessions: Columns
    events: Columns
    file_type: int | None = None
    device: str | None = None
    sport: int | None = None
    described: Sequence[Described] = ()
    packed: Sequence[bytes | None] = ()
    damage: str | None = None


def decode(
    content: bytes,
    *,
    sensor_preference: Sequence[str] = ("native", "self-described"),
    described_fields: Mapping[str, str] | None = None,
) -> list[Recording]:
    """Read every session of every link of a FIT file.

    Args:
        content: the file.
        sensor_preference: which wins when a native and a self-described field give the same quantity.
        described_fields: name of a self-described field → name of a reading with its unit (`contact_time_ms`, or
            another unit of it, as in the headers of CSV files), for fields whose own name and unit do not tell.

    Returns:
        One recording a session, running or not, in the order of their start.

    Raises:
        Refused: nothing of an activity could be read.
    """
    recordings: list[Recording] = []
    refusals: list[Refused] = []
    for link in _links(content):
        try:
            recordings += _sessions(_read_activity(link), sensor_preference, described_fields or {})
        except Refused as refusal:
            refusals.append(refusal)
    if recordings and refusals:
        lost = f"another part of this chained file was lost: {refusals[0].reason}"
        return [replace(one, damage=one.damage or lost) for one in recordings]
    if refusals:
        raise refusals[0]
    if not recordings:
        raise Refused(
            "The FIT file is intact but holds no measurement over time.",
            "Export the activity itself, not a plan or a summary.",
        )
    return recordings


def _links(content: bytes) -> Iterator[bytes]:
    """Cut a chained file at its headers; the last link may be shorter than its header says."""
    if not content:
        raise Refused("The file is empty.", "Copy or export it from the device again.")
    start = 0
    while start < len(content):
        header = content[start : start + 12]
        if len(header) < 12 or header[8:12] != b".FIT" or header[0] < 12:
            if start == 0:
                raise Refused(
                    "The file has the name of a FIT file but does not begin like one.",
                    "Copy or export it from the device again.",
                )
            return  # bytes after the last complete link are padding
        records = int(struct.unpack_from("<I", header, 4)[0])
        if records == 0:
            # A device writes the size when it closes the file: without it, power was lost and the rest is records.
            rest = content[start + 12 :]
            yield header[:4] + struct.pack("<I", len(content) - start - header[0]) + header[8:] + rest
            return
        yield content[start : start + header[0] + records + 2]
        start += header[0] + records + 2


def _read_activity(link: bytes) -> _Messages:
    messages = _read(link)
    if messages.file_type is not None and messages.file_type != ACTIVITY:
        kind = FILE_TYPES.get(messages.file_type, f"number {messages.file_type}")
        raise Refused(f"This FIT file is of the kind '{kind}'; a run is of the kind 'activity'.")
    return messages


def _read(link: bytes) -> _Messages:
    try:
        with _unprinted_panics():
            messages = _read_fast(link)
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:
        return _read_slowly(link, fault=str(error))
    if messages.described and not _names_are_distinct(messages):
        # The fast decoder keys columns by name alone: two fields of one name would have become one column.
        return _read_slowly(link, fault=None)
    return messages


# --- The fast way ----------------------------------------------------------------------------------------------------


def _read_fast(link: bytes) -> _Messages:
    sessions = fitfast.records(link, "session")
    head = _head(link)
    sports = np.array([]) if sessions else fitfast.records(link, "sport").get("sport", np.array([]))
    records = fitfast.records(link) if _has_running(sessions) else {}
    whole: dict[str, list[dict[str | int, Any]]] = {}
    is_packed = bool(records) and not {"distance", "speed", "enhanced_speed"} & set(records)
    if records and (is_packed or _may_describe_fields(link)):
        whole = fitfast.parse(link, enum_names=False)  # the only call that gives text and bytes
    return replace(
        head,
        records=records,
        sessions=sessions,
        events=fitfast.records(link, "event") if records else {},
        sport=int(sports[-1]) if len(sports) and np.isfinite(sports[-1]) else None,
        described=[_described(message) for message in whole.get("field_description", [])],
        packed=[message.get("compressed_speed_distance") for message in whole.get("record", [])] if is_packed else (),
    )


def _has_running(sessions: Columns) -> bool:
    """Whether the records are worth decoding: yes if any session is a run, or if none says what it is."""
    sport = sessions.get("sport")
    return sport is None or bool(np.any(sport == 1) or np.all(np.isnan(sport)))


def _may_describe_fields(link: bytes) -> bool:
    """Whether a definition of message 206 may stand in the file: reserved byte, byte order, message number.

    Looking for the bytes costs microseconds, decoding to find out costs as much as the records. A chance match only
    costs that time.
    """
    return b"\x00\x00\xce\x00" in link or b"\x00\x01\x00\xce" in link


def _described(message: Mapping[str | int, Any]) -> Described:
    return Described(
        index=message.get("developer_data_index") or 0,
        number=message.get("field_definition_number") or 0,
        name=str(message.get("field_name") or ""),
        unit=str(message.get("units") or ""),
        native_message=message.get("native_mesg_num"),
        native_field=message.get("native_field_num"),
    )


def _head(link: bytes) -> _Messages:
    """Read the first message, which says what the file is and who made it."""
    head = _Messages(records={}, sessions={}, events={})
    with _reader(link) as reader:
        for frame in reader:
            if isinstance(frame, fitdecode.FitDataMessage):
                _note(frame, head, [])
                break
    return head


@contextmanager
def _unprinted_panics() -> Iterator[None]:
    """Keep the compiled decoder's own panic report off the terminal: the caller gets the exception and words it."""
    sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # no stderr at all, as under some schedulers
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def _names_are_distinct(messages: _Messages) -> bool:
    named = {(one.index, one.number): one.name for one in messages.described}
    names = list(named.values())
    native = {"timestamp", "distance", "speed", "altitude", "heart_rate", "cadence", "fractional_cadence"}
    native |= {"stance_time", "vertical_oscillation", "stance_time_balance", "enhanced_speed", "enhanced_altitude"}
    return len(names) == len(set(names)) and not native & set(names)


# --- The slow way ----------------------------------------------------------------------------------------------------


@dataclass
class _Rows:
    """Messages as they come, before they are turned into columns."""

    records: list[dict[str, Any]] = field(default_factory=list)
    sessions: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)


def _read_slowly(link: bytes, *, fault: str | None) -> _Messages:
    """Read message by message and keep what came before the first fault."""
    rows, described = _Rows(), list[Described]()
    messages = _Messages(records={}, sessions={}, events={})
    damage = None
    try:
        with _reader(link) as reader:
            for frame in reader:
                if isinstance(frame, fitdecode.FitDataMessage):
                    _note(frame, messages, described)
                    _collect(frame, rows)
    except Exception as error:
        damage = _say_damage(error, link)
    if damage is None and fault is not None:
        damage = (
            "some bytes are not what the device wrote (the checksum does not match); everything readable was kept"
            if "checksum" in fault
            else None
        )
    if not rows.records and damage is not None:
        raise Refused(f"The FIT file is damaged before its first measurement: {damage}.", "Export it again.")
    packed = [row.pop("compressed_speed_distance", None) for row in rows.records]
    return replace(
        messages,
        records=_columns(rows.records),
        sessions=_columns(rows.sessions),
        events=_columns(rows.events),
        described=described,
        packed=packed if any(packed) else (),
        damage=damage,
    )


def _reader(link: bytes) -> Any:
    # Its warnings tell a developer what a tolerant reader tolerated; the ledger tells the user what matters.
    warnings.filterwarnings("ignore", module="fitdecode")
    return fitdecode.FitReader(
        BytesIO(link),
        check_crc=fitdecode.CrcCheck.DISABLED,
        error_handling=fitdecode.ErrorHandling.IGNORE,
        processor=None,
    )


def _say_damage(error: Exception, link: bytes) -> str:
    if isinstance(error, fitdecode.FitEOFError):
        return "the file is cut short; it was read up to the cut"
    offset = re.search(r"@ (\d+)", str(error))
    place = f" from byte {offset[1]} of {len(link)} on" if offset else ""
    return f"the content makes no sense{place}; it was read up to there"


def _note(frame: Any, messages: _Messages, described: list[Described]) -> None:
    """Take what describes the file rather than the run."""
    if frame.name == "file_id":
        messages.file_type = _raw(frame, "type")
        names = [_text(frame, "manufacturer"), _product(frame)]
        messages.device = " ".join(name for name in names if name) or None
    elif frame.name == "sport":
        messages.sport = _raw(frame, "sport")
    elif frame.name == "field_description":
        described.append(_described({one.name: one.raw_value for one in frame.fields}))


def _collect(frame: Any, rows: _Rows) -> None:
    if frame.name == "record":
        row = {}
        for one in frame.fields:
            name, value = one.name, one.value
            index = getattr(one.field_def, "dev_data_index", None)
            if index is not None:
                name = Described.key(index, one.field_def.def_num)
            if name in ("position_lat", "position_long") and value is not None:
                value = value * (180 / 2**31)
            if name == "activity_type":
                value = one.raw_value
            # A field may come twice, once out of another one: a missing value does not undo a present one.
            if value is not None or name not in row:
                row[name] = value
        rows.records.append(row)
    elif frame.name in ("session", "event"):
        row = {one.name: one.raw_value if one.name in ("sport", "event", "event_type") else one.value for one in frame}
        (rows.sessions if frame.name == "session" else rows.events).append(row)


def _columns(rows: list[dict[str, Any]]) -> Columns:
    """Numeric values as columns, times as seconds since 1970, whatever else as missing."""

    def number(name: str, value: Any) -> float:
        if name in ("timestamp", "start_time"):
            if hasattr(value, "timestamp"):
                return float(value.timestamp())
            return float(value) + UNIX_OF_FIT_EPOCH if isinstance(value, int) else np.nan
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else np.nan

    names = {name: None for row in rows for name in row if isinstance(name, str)}
    return {name: np.array([number(name, row.get(name)) for row in rows], dtype=np.float64) for name in names}


def _raw(frame: Any, name: str) -> int | None:
    value = frame.get_raw_value(name, fallback=None)
    return value if isinstance(value, int) else None


def _text(frame: Any, name: str) -> str | None:
    value = frame.get_value(name, fallback=None)
    return value.split("\x00")[0].strip() or None if isinstance(value, str) else None


def _product(frame: Any) -> str | None:
    name = _text(frame, "product_name")
    if name:
        return name
    for one in frame.fields:
        if one.field_def is not None and one.field_def.def_num == 2 and one.raw_value is not None:
            return str(one.value)
    return None


# --- From messages to recordings -------------------------------------------------------------------------------------


def _sessions(
    messages: _Messages, sensor_preference: Sequence[str], described_fields: Mapping[str, str]
) -> list[Recording]:
    """Share the records among the sessions by time; a file without any session is one recording."""
    unknown = np.full(max((len(column) for column in messages.sessions.values()), default=0), np.nan)
    starts = messages.sessions.get("start_time", unknown)
    sports = messages.sessions.get("sport", unknown)
    order = np.argsort(starts, kind="stable")
    starts, sports = starts[order], sports[order]
    base = Recording(format="fit", readings=readings_frame({"time_s": pl.Series([], dtype=pl.Float64)}))
    base = replace(base, device=messages.device, damage=messages.damage)
    has_records = "timestamp" in messages.records
    if not has_records:
        return [replace(base, sport=_word(sport)) for sport in sports]

    readings, sensors = read_columns(
        messages.records, messages.described, messages.packed, sensor_preference, described_fields
    )
    time_s = messages.records["timestamp"]
    # A record belongs to the last session that has begun; the first session also takes what came before it, since some
    # devices set the clock after they begin to record.
    owner = (
        np.maximum(np.searchsorted(starts[1:], time_s, side="right"), 0) if len(starts) > 1 else np.zeros(len(time_s))
    )
    pauses = _pauses(messages.events)
    recordings = []
    for position in range(max(len(starts), 1)):
        mine = owner == position
        sport = _word(sports[position]) if len(sports) else _sport_of_records(messages)
        timed_s = time_s[mine & np.isfinite(time_s)]
        first, last = (timed_s.min(), timed_s.max()) if len(timed_s) else (np.nan, np.nan)
        recordings.append(
            replace(
                base,
                readings=readings.filter(pl.Series(mine)),
                sport=sport,
                pauses=tuple((stop, start) for stop, start in pauses if first <= stop and start <= last),
                sensors=sensors,
            )
        )
    return recordings


def _word(sport: float | None) -> str | None:
    return None if sport is None or np.isnan(sport) else SPORTS.get(int(sport), f"sport {int(sport)}")


def _sport_of_records(messages: _Messages) -> str | None:
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

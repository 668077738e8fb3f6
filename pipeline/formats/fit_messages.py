"""FIT messages: one link of a FIT file → what it says, in columns.

Two decoders share the work because neither suffices alone. `fitfast` reads sound files, whole columns at a time; it
returns nothing for a faulty file, and on some faults ends in a panic that is not an `Exception`. `fitdecode` reads
message by message, so that everything before a fault is kept; it is some eighty times slower and rejects a few sound
files. Every link is tried with the first, then with the second; plain records `fit_records` reads in place, with
the first one's numbers in a fifth of its time.
"""

from __future__ import annotations

import os
import sys
import threading
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from io import BytesIO
from typing import Any

import fitdecode
import fitfast
import numpy as np
import numpy.typing as npt

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats.fit_fields import UNIX_OF_FIT_EPOCH, Described
from pipeline.formats.fit_outline import MOST_MESSAGES, outline
from pipeline.formats.fit_records import EVENT, LAP, SESSION, few_messages, has_right_checksums, sound_records

Columns = dict[str, npt.NDArray[np.float64]]

#: The process has one stderr: two threads that redirect it at once would leave it redirected.
_STDERR = threading.Lock()


@dataclass
class Messages:
    """What one link of a FIT file said, in columns, whichever decoder read it."""

    records: Columns
    sessions: Columns
    events: Columns
    laps: Columns = field(default_factory=dict)
    file_type: int | None = None
    device: str | None = None
    sport: int | None = None
    described: Sequence[Described] = ()
    packed: Sequence[bytes | None] = ()
    damage: Because | None = None


def read_messages(link: bytes) -> Messages:
    """Read what one complete FIT file, or one link of a chained one, says.

    Raises:
        Refused: it is damaged before its first record.
    """
    try:
        messages = _read_fast(link)
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException:
        return _read_slowly(link, is_altered=not has_right_checksums(link))
    if messages.described and not _names_are_distinct(messages):
        # The fast decoder keys columns by name alone: two fields of one name would have become one column.
        return _read_slowly(link)
    return messages


# --- The fast way ----------------------------------------------------------------------------------------------------


def _read_fast(link: bytes) -> Messages:
    """Read records by column, everything else from the outline, message by message."""
    short = outline(link)
    messages = None if short is None else _read_outline(short) or _read_slowly(short)
    has_outline = messages is not None and messages.damage is None
    if messages is None or messages.damage is not None:
        messages = _by_columns(link)
    if not _has_running(messages.sessions):
        return messages
    plain = sound_records(link) if has_outline and not messages.described else None
    if plain is not None:
        return replace(messages, records=plain)
    with _unprinted_panics():
        records = fitfast.records(link)
        if records and not {"distance", "speed", "enhanced_speed"} & set(records):
            packed = [message.get("compressed_speed_distance") for message in fitfast.parse(link).get("record", [])]
            return replace(messages, records=records, packed=packed)
    return replace(messages, records=records)


def _read_outline(short: bytes) -> Messages | None:
    """The messages of an outline; None where one is unusual."""
    few = few_messages(short)
    if few is None:
        return None
    columns, lasting = few
    about = _about(short[:4] + short[8:12] + bytes(short[0] - 12), lasting)
    if about is None:
        return None
    file_type, device, sport = about
    sessions, laps, events = (columns[kind] for kind in (SESSION, LAP, EVENT))
    return Messages({}, sessions, events, laps, file_type, device, sport)


@lru_cache(maxsize=64)
def _about(header: bytes, messages: bytes) -> tuple[int | None, str | None, int | None] | None:
    """Kind of file, device and sport, which are the same in all files of a device; None where one cannot be read."""
    size = len(messages).to_bytes(4, "little")
    read = _read_slowly(header[:4] + size + header[4:] + messages + bytes(2))
    return None if read.damage is not None else (read.file_type, read.device, read.sport)


def _by_columns(link: bytes) -> Messages:
    """The same as the outline gives, by decoding the whole file, for sound files that only the fast decoder reads."""
    with _unprinted_panics():
        whole = fitfast.parse(link, enum_names=False)
        sessions, events, laps = (fitfast.records(link, kind) for kind in ("session", "event", "lap"))
    kinds = [message.get("type") for message in whole.get("file_id", [])]
    sports = [message.get("sport") for message in whole.get("sport", [])]
    return Messages(
        records={},
        sessions=sessions,
        events=events,
        laps=laps,
        file_type=kinds[0] if kinds else None,
        sport=sports[-1] if sports else None,
        described=[_described(message) for message in whole.get("field_description", [])],
    )


def _has_running(sessions: Columns) -> bool:
    """Whether the records are worth decoding: yes if any session is a run, or if none says what it is."""
    sport = sessions.get("sport")
    return sport is None or bool(np.any(sport == 1) or np.all(np.isnan(sport)))


def _described(message: Mapping[str | int, Any]) -> Described:
    return Described(
        index=message.get("developer_data_index") or 0,
        number=message.get("field_definition_number") or 0,
        name=str(message.get("field_name") or ""),
        unit=str(message.get("units") or ""),
        native_message=message.get("native_mesg_num"),
        native_field=message.get("native_field_num"),
    )


@contextmanager
def _unprinted_panics() -> Iterator[None]:
    """Keep the compiled decoder's own panic report off the terminal: the caller gets the exception."""
    with _STDERR:
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


def _names_are_distinct(messages: Messages) -> bool:
    named = {(one.index, one.number): one.name for one in messages.described}
    names = list(named.values())
    native = {"timestamp", "distance", "speed", "altitude", "heart_rate", "cadence", "fractional_cadence"}
    native |= {"stance_time", "vertical_oscillation", "stance_time_balance", "enhanced_speed", "enhanced_altitude"}
    native |= {"power", "step_length", "temperature"}
    return len(names) == len(set(names)) and not native & set(names)


# --- The slow way ----------------------------------------------------------------------------------------------------


@dataclass
class _Rows:
    """Messages as they come, before they are turned into columns."""

    records: list[dict[str, Any]] = field(default_factory=list)
    sessions: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    laps: list[dict[str, Any]] = field(default_factory=list)


def _read_slowly(link: bytes, *, is_altered: bool = False) -> Messages:
    """Read message by message and keep what came before the first fault.

    Args:
        is_altered: a checksum does not match.
    """
    rows, described = _Rows(), list[Described]()
    messages = Messages(records={}, sessions={}, events={})
    damage = None
    try:
        with _reader(link) as reader:
            for n_frames, frame in enumerate(reader):
                if n_frames > MOST_MESSAGES:
                    damage = because(Reason.FIT_MANY_MESSAGES, most=MOST_MESSAGES)
                    break
                if isinstance(frame, fitdecode.FitDataMessage):
                    _note(frame, messages, described)
                    _collect(frame, rows)
    except Exception as error:
        damage = _damage(error, link)
    if damage is None and is_altered:
        damage = because(Reason.FIT_CHECKSUM)
    if not rows.records and damage is not None:
        raise Refused(Reason.FIT_DAMAGED, damage=damage)
    packed = [row.pop("compressed_speed_distance", None) for row in rows.records]
    return replace(
        messages,
        records=_columns(rows.records),
        sessions=_columns(rows.sessions),
        events=_columns(rows.events),
        laps=_columns(rows.laps),
        described=described,
        packed=packed if any(packed) else (),
        damage=damage,
    )


def _reader(link: bytes) -> Any:
    # Its warnings are for developers; users find the damage in the ledger.
    warnings.filterwarnings("ignore", module="fitdecode")
    return fitdecode.FitReader(
        BytesIO(link),
        check_crc=fitdecode.CrcCheck.DISABLED,
        error_handling=fitdecode.ErrorHandling.IGNORE,
        processor=None,
    )


def _damage(error: Exception, link: bytes) -> Because:
    if isinstance(error, fitdecode.FitEOFError):
        return because(Reason.FIT_CUT)
    if isinstance(error, fitdecode.FitParseError):
        return because(Reason.FIT_NO_SENSE_FROM, byte=error.offset, n_bytes=len(link))
    return because(Reason.FIT_NO_SENSE)


def _note(frame: Any, messages: Messages, described: list[Described]) -> None:
    """Take what describes the file rather than the run."""
    if frame.name == "file_id":
        messages.file_type = _raw(frame, "type")
        names = [_text(frame, "manufacturer"), _product(frame)]
        messages.device = " ".join(name for name in names if name) or None
    elif frame.name == "sport":
        messages.sport = _raw(frame, "sport")
    elif frame.name == "field_description":
        described.append(_described({one.name: one.raw_value for one in frame.fields}))


_ENUMERATIONS = ("sport", "sub_sport", "event", "event_type")


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
    elif frame.name in ("session", "event", "lap"):
        row = {field.name: field.raw_value if field.name in _ENUMERATIONS else field.value for field in frame}
        {"session": rows.sessions, "event": rows.events, "lap": rows.laps}[frame.name].append(row)


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

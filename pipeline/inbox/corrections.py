r"""Reading `corrections.toml`: what the owner knows of recordings. Its text in, `Correction`s out.

The file is in the inbox, for all of it, or in an athlete's folder. Each entry begins with `[[correction]]` and is read
by itself: a fault in one costs that entry only.

    [[correction]]
    file = "spring/*.gpx"            # path or glob, from this folder on; also athlete_id, from_date, to_date, device
    cadence_factor = 2               # what to change
    only_if_cadence_below = 100      # a guard: no harm once the sensor counts both feet

    [[correction]]
    from_date = 2026-03-01
    to_date = 2026-03-31
    tags = { team = "north", weather = "heat" }
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from itertools import pairwise
from typing import Any

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason
from pipeline.core.toml import parsed
from pipeline.formats.column_mapping import close_matches, is_zone
from pipeline.stages.corrections import GUARDS, TAG_IS, TAG_SEPARATOR, Correction

CORRECTIONS_FILE = "corrections.toml"

_WORDS = ("file", "athlete_id", "device", "only_if_sport", "sport", "leave_out", "time_zone")
_DATES = ("from_date", "to_date")
_CHANGES = (
    "sport",
    "leave_out",
    "cadence_factor",
    "distance_factor",
    "belt_speed_m_s",
    "clock_shift_s",
    "time_zone",
    "tags",
)
#: The shift of a clock may be written in hours.
_HOURS = "clock_shift_h"


def _guard_meaning(name: str) -> str:
    """What a guard says, from its name: `only_if_distance_below_km`."""
    quantity, side, *unit = name.removeprefix("only_if_").split("_")
    limit = f"this [{'/'.join(unit)}]" if unit else "this [steps/min]"
    return f"Guard: only where the recording's {quantity} is {side} {limit}."


#: Key → what it says, for messages and the documentation.
KEYS: Mapping[str, str] = {
    "file": "Path from this folder on, or a glob such as `spring/*.gpx`; a member of an archive follows after !.",
    "athlete_id": "Only files of this athlete.",
    "from_date": "Only recordings that began on this day or later, in UTC.",
    "to_date": "Only recordings that began on this day or earlier, in UTC.",
    "device": "Only recordings of this device, as `runs.device` names it, or a glob.",
    "sport": "The sport of the recording, such as running.",
    "leave_out": "Why the recording is not used.",
    "cadence_factor": "The cadence is multiplied by it: 2 where the steps of one foot were counted.",
    "distance_factor": "Distance and speed are multiplied by it.",
    "belt_speed_m_s": "Speed of the treadmill's belt, of a recording without distance, speed and positions [m/s].",
    "clock_shift_s": "Seconds by which the clock was slow; negative if it was fast.",
    _HOURS: "The same in hours.",
    "time_zone": "IANA name of the zone whose local time the file has; selected by file and athlete only.",
    "tags": "Words of your own, such as { weather = \"heat\" }.",
    **{name: _guard_meaning(name) for name in GUARDS},
    "only_if_sport": "Guard: only where the file gives this sport.",
}  # fmt: skip

#: Factors and shifts beyond these are mistyped. Common practice, no source.
_FACTORS = (0.1, 10.0)
#: So are speeds of a belt, which nobody runs. Common practice, no source.
_BELT = (0.5, 9.0)
_LONGEST_SHIFT_S = 100 * 365.25 * 86_400
_TAG_NAME = re.compile(r"^[a-z][a-z0-9_]{0,39}$")
#: Names that runs have columns or contrasts for already.
_TAKEN = ("surface", "shoe", "ride", "kind", "device", "metric")
_MOST_CHARACTERS = 80

_HEADING = re.compile(r"^[ \t]*\[{1,2}[ \t]*correction[ \t]*\]{1,2}[ \t]*(?:#.*)?$", re.MULTILINE)


def read_corrections(text: str, source: str) -> list[Correction]:
    """Read a `corrections.toml`.

    Args:
        text: its content.
        source: its path in the inbox.

    Returns:
        Its entries in their order; one that cannot be understood has a `fault`.
    """
    return [_entry(text, source, place, line) for place, (line, text) in enumerate(_entries(text), start=1)]


def faulty(source: str, fault: str) -> Correction:
    """What stands for a `corrections.toml` of which nothing can be read."""
    return Correction(source=source, fault=fault)


def _entries(text: str) -> Iterator[tuple[int, str]]:
    """The line on which each entry begins, and its text."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    begins = [match.start() for match in _HEADING.finditer(text)]
    above = text[: begins[0]] if begins else text
    if any(line.strip() and not line.lstrip().startswith("#") for line in above.splitlines()):
        begins.insert(0, 0)
    line = 1 + text.count("\n", 0, min(begins, default=0))
    for begin, end in pairwise([*begins, len(text)]):
        yield line, text[begin:end]
        line += text.count("\n", begin, end)


def _entry(text: str, source: str, place: int, line: int) -> Correction:
    try:
        return Correction(source=source, entry=place, line=line, **_checked(_parsed(text, line)))
    except Refused as fault:
        return Correction(source=source, entry=place, line=line, fault=str(fault))


def _parsed(text: str, line: int) -> dict[str, Any]:
    try:
        content = parsed(text)
    except ValueError as error:
        found = re.sub(r"(?<=at line )\d+", lambda own: str(int(own[0]) + line - 1), str(error))
        raise Refused(Reason.ENTRY_UNREADABLE, error=found) from None
    entries = content.get("correction")
    if not (isinstance(entries, list) and len(content) == 1):
        found = next((key for key in content if key != "correction"), "[correction]")
        raise Refused(Reason.NO_ENTRY, line=line, found=found)
    return dict(entries[0])


def _checked(given: dict[str, Any]) -> dict[str, Any]:
    """The fields of `Correction` that an entry gives."""
    for key in given:
        if key not in KEYS:
            near = close_matches(key, KEYS)
            raise Refused(Reason.UNKNOWN_KEY, key=key, near=near, keys=[] if near else list(KEYS))
    if _HOURS in given:
        if "clock_shift_s" in given:
            raise Refused(Reason.TWO_SHIFTS)
        given["clock_shift_s"] = 3600 * _number(given.pop(_HOURS), _HOURS)
    fields: dict[str, Any] = {key: _word(given[key], key) for key in _WORDS if key in given}
    fields |= {key: _date(given[key], key) for key in _DATES if key in given}
    fields["guards"] = tuple((key, _number(given[key], key)) for key in GUARDS if key in given)
    for key in ("cadence_factor", "distance_factor"):
        if key in given:
            fields[key] = _within(_number(given[key], key), key, *_FACTORS)
    if "belt_speed_m_s" in given:
        fields["belt_speed_m_s"] = _within(_number(given["belt_speed_m_s"], "belt_speed_m_s"), "belt_speed_m_s", *_BELT)
    if "clock_shift_s" in given:
        shift_s = _number(given["clock_shift_s"], "clock_shift_s")
        fields["clock_shift_s"] = _within(shift_s, "clock_shift_s", -_LONGEST_SHIFT_S, _LONGEST_SHIFT_S)
    if "tags" in given:
        fields["tags"] = _tags(given["tags"])
    _require_whole(fields)
    return fields


def _require_whole(fields: Mapping[str, Any]) -> None:
    """Refuse entries that change nothing, or that contradict themselves."""
    if not any(fields.get(key) for key in _CHANGES):
        raise Refused(Reason.CHANGES_NOTHING, keys=list(_CHANGES))
    first, last = fields.get("from_date"), fields.get("to_date")
    if first and last and first > last:
        raise Refused(Reason.DATES_EXCHANGED, first=str(first), last=str(last))
    by_content = [*_DATES, "device", "only_if_sport", *(name for name, _ in fields["guards"])]
    if "time_zone" in fields and (others := [key for key in by_content if key in {**fields, **dict(fields["guards"])}]):
        raise Refused(Reason.ZONE_BY_CONTENT, key=others[0])
    if "time_zone" in fields and not is_zone(fields["time_zone"]):
        raise Refused(Reason.UNKNOWN_ZONE_OF_ENTRY, value=fields["time_zone"])


# --- Values -----------------------------------------------------------------------------------------------------------


def _word(value: Any, key: str) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise Refused(Reason.NO_WORD, key=key, value=repr(value))
    if key == "leave_out" and len(value) > _MOST_CHARACTERS:
        raise Refused(Reason.LONG_WORD, key=key, n_characters=len(value), most=_MOST_CHARACTERS)
    return value.strip().lower() if key in ("sport", "only_if_sport") else value


def _number(value: Any, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Refused(Reason.NO_NUMBER, key=key, value=repr(value))
    return float(value)


def _within(value: float, key: str, low: float, high: float) -> float:
    if not low <= value <= high:
        raise Refused(Reason.NUMBER_BEYOND, key=key, value=value, low=low, high=high)
    return value


def _date(value: Any, key: str) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        raise Refused(Reason.NO_DAY, key=key, value=repr(value)) from None


def _tags(value: Any) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, dict) or not value:
        raise Refused(Reason.NO_TAGS, value=repr(value))
    for name, word in value.items():
        if not _TAG_NAME.match(name) or name in _TAKEN:
            raise Refused(Reason.TAG_NAME, name=name, taken=list(_TAKEN))
        is_word = isinstance(word, str) and word.strip() and word.isprintable() and len(word) <= _MOST_CHARACTERS
        if not is_word or TAG_SEPARATOR.strip() in word or TAG_IS in word:
            raise Refused(Reason.TAG_WORD, name=name, value=repr(word))
    return tuple(sorted((name, word.strip()) for name, word in value.items()))

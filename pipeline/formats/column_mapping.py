r"""`columns.toml`, where a coach says what the columns of CSV files mean. Its text in, a `ColumnMapping` out.

The file is in the same folder as the CSV files, or above. Its lines hold for every CSV file of the folder; those under
`[files."<file name>"]` hold for that file and take precedence. Options come before `[columns]`:

    decimal = ","                  # or "."
    thousands = "."                # mark between thousands
    separator = ";"                # or "," or "\t" or "|"
    time_zone = "Europe/Lisbon"    # of date-times that carry no zone
    date_order = "day-month-year"  # of dates such as 03.04.2026
    sport = "running"
    grain = "step"                 # what a row is: sample, step, lap or kilometre
    encoding = "shift_jis"
    skip_lines = 3                 # above the headers

    [columns]
    "Cadence" = "cadence_strides_min"
    "Power" = ""                   # leave this column out

    [files."treadmill test.csv"]
    separator = "\t"

    [files."treadmill test.csv".columns]
    "Cadence" = "cadence_spm"
"""

from __future__ import annotations

import difflib
import json
import re
import zoneinfo
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason
from pipeline.core.toml import parsed
from pipeline.formats import GRAINS
from pipeline.formats.clock import DATE_ORDERS
from pipeline.formats.columns import COLUMNS
from pipeline.formats.headers import meaning_of
from pipeline.formats.text import ENCODINGS, MOST_SKIPPED_LINES


class Option(NamedTuple):
    """An option of `columns.toml`: the values it accepts, any word where there are none, and what it says."""

    accepted: tuple[str, ...]
    meaning: str


OPTIONS: Mapping[str, Option] = {
    "decimal": Option((".", ","), "Decimal sign; by default it is read from the numbers."),
    "thousands": Option((".", ",", "'", " "), "Mark between thousands; by default it is read from the numbers."),
    "separator": Option(
        (",", ";", "\t", "|"), "Separator between cells; by default the one that the header has most of."
    ),
    "time_zone": Option((), "IANA name of the zone of times that carry none, such as Europe/Lisbon."),
    "date_order": Option(
        DATE_ORDERS, "Order in dates such as 03.04.2026; by default it is read from the dates, where they decide it."
    ),
    "sport": Option((), "Sport of the recording, such as running."),
    "grain": Option(GRAINS, "What a row is; by default it follows from the columns."),
    "encoding": Option(ENCODINGS, "How letters are stored; by default it is read from the file."),
    "skip_lines": Option((), "Number of lines above the headers; by default they are found."),
}


@dataclass(frozen=True, kw_only=True)
class ColumnMapping:
    """What `columns.toml` says about one CSV file. An option that it leaves open is None.

    Attributes:
        columns: header in the file -> a name of `COLUMNS`, or "" to leave that column out.
        decimal: the decimal sign, `.` or `,`.
        time_zone: IANA name of the zone of date-times that carry none.
        date_order: one of `DATE_ORDERS`.
        skip_lines: lines above the line of headers.
        own: header in small letters -> the metric of one's own that it holds; from settings.toml.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    decimal: str | None = None
    thousands: str | None = None
    separator: str | None = None
    time_zone: str | None = None
    date_order: str | None = None
    sport: str | None = None
    grain: str | None = None
    encoding: str | None = None
    skip_lines: int | None = None
    own: Mapping[str, str] = field(default_factory=dict)

    def name_of(self, header: str) -> str | None:
        """The name that the mapping gives a header, written in small or capital letters; None where it is silent."""
        written = next((name for key, name in self.columns.items() if key.casefold() == header.casefold()), None)
        return written if written is not None else self.own.get(header.casefold())


def toml_line(header: str, name: str) -> str:
    """The line of `columns.toml` that gives a header its name."""
    is_bare = re.fullmatch(r"[A-Za-z0-9_-]+", header)
    return f'{header if is_bare else toml_text(header)} = "{name}"'


def toml_text(text: str) -> str:
    """A text in quotation marks: TOML has the escapes of JSON, and one character more that needs one."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def close_matches(word: str, known: Iterable[str]) -> list[str]:
    """Up to three known words that are spelled almost alike."""
    return difflib.get_close_matches(word, list(known), n=3, cutoff=0.5)


def read_mapping(text: str, file_name: str, own: Collection[str] = ()) -> ColumnMapping | None:
    """Read what `columns.toml` says about one file.

    Args:
        text: content of `columns.toml`; its layout is in the docstring of this module.
        file_name: the CSV file's own name, without folder; a trailing `.gz` may be left out in `columns.toml`.
        own: names of metrics of one's own, which columns may be given too.

    Returns:
        None where `columns.toml` says nothing that holds for the file.

    Raises:
        Refused: a line that cannot be understood, with the key and the closest names that would be.
    """
    try:
        folder = parsed(text.removeprefix("\ufeff"))
    except ValueError as error:
        raise Refused(Reason.COLUMNS_FILE_UNREADABLE, error=str(error)) from None
    files = _table(folder.pop("files", {}), "[files]")
    of_file = _table(files.get(file_name, files.get(file_name.removesuffix(".gz"), {})), f'[files."{file_name}"]')
    columns = {**_checked_columns(folder.pop("columns", {}), own), **_checked_columns(of_file.pop("columns", {}), own)}
    options = {key: _checked_option(key, value) for key, value in {**folder, **of_file}.items()}
    if not columns and not options:
        return None
    return ColumnMapping(columns=columns, **options)


def _table(value: Any, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise Refused(Reason.NO_HEADING, where=where, value=repr(value))
    return value


def _checked_columns(section: Any, own: Collection[str]) -> dict[str, str]:
    columns = _table(section, "[columns]")
    for header, name in columns.items():
        if not isinstance(name, str):
            raise Refused(Reason.NO_COLUMN_NAME, header=header, value=repr(name))
        if name and name not in COLUMNS and name not in own:
            if header in OPTIONS:
                raise Refused(Reason.OPTION_AS_COLUMN, header=header, line=toml_line(header, name))
            near = list(meaning_of(name).choices) or close_matches(name, (*COLUMNS, *own))
            raise Refused(Reason.UNKNOWN_NAME, header=header, name=name, near=near)
    return columns


def _checked_option(key: str, value: Any) -> Any:
    if key not in OPTIONS:
        raise Refused(Reason.UNKNOWN_OPTION, key=key, options=list(OPTIONS), near=close_matches(key, OPTIONS))
    if key == "skip_lines":
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= MOST_SKIPPED_LINES:
            raise Refused(Reason.SKIP_LINES, value=repr(value), most=MOST_SKIPPED_LINES)
        return value
    accepted = OPTIONS[key].accepted
    if not isinstance(value, str) or not value or (accepted and value not in accepted):
        quoted = [f'"{choice}"'.replace("\t", "\\t") for choice in accepted]
        raise Refused(Reason.OPTION_VALUE, key=key, value=repr(value), accepted=quoted)
    if key == "time_zone" and not is_zone(value):
        raise Refused(Reason.UNKNOWN_ZONE, value=value, near=close_matches(value, zoneinfo.available_timezones()))
    return value.lower() if key == "sport" else value


def is_zone(name: str) -> bool:
    """Whether a name is that of a time zone."""
    # Polars has its own list of zones, and it is Polars that will have to know this one.
    try:
        pl.Series([0]).cast(pl.Datetime("us")).dt.replace_time_zone(name)
    except pl.exceptions.PolarsError:
        return False
    return True

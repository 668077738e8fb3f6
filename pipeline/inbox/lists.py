"""The lists of the inbox: `roster.csv`, `sessions.csv`, `shoes.csv`, `strikes.csv`, `complaints.csv`.

They are written by hand. A fault in one stops the command before anything is computed, since a wrong surface or mass
would be silently wrong everywhere. The message names file, line, what was found and what was expected.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from pathlib import Path

import polars as pl

from pipeline.core.errors import UsageError
from pipeline.tables.observed import LANDINGS, REARFOOT

KINDS = ("race", "training", "test")
SURFACES = ("road", "track", "trail", "sand", "grass", "treadmill")

#: `heel` is another word for rearfoot. A class was seen or measured at the foot: no method is a watch.
HEEL = "heel"
STRIKE_WORDS = (*LANDINGS, HEEL)
STRIKE_METHODS = ("video", "footprint", "insole", "imu")
FEET = ("left", "right")

#: The lists and the columns each may have; the first one is required, but for sessions.csv.
LISTS: Mapping[str, tuple[str, ...]] = {
    "roster.csv": ("athlete_id", "display_name", "mass_kg", "height_m", "leg_length_m", "born_year", "sex", "note"),
    "sessions.csv": ("file", "started_at_utc", "athlete_id", "kind", "surface", "shoe_id", "note"),
    "shoes.csv": ("shoe_id", "name", "heel_toe_drop_mm", "heel_stack_mm", "mass_g"),
    "strikes.csv": (
        "athlete_id", "started_at_utc", "date", "distance_km", "foot", "strike", "angle_deg", "strike_index_pct",
        "method", "note",
    ),
    "complaints.csv": ("athlete_id", "from_date", "to_date", "site", "note"),
}  # fmt: skip

#: Columns that accept certain words only.
CHOICES: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "sessions.csv": {"kind": KINDS, "surface": SURFACES},
    "strikes.csv": {"foot": FEET, "strike": STRIKE_WORDS, "method": STRIKE_METHODS},
}


def sessions(folder: Path) -> pl.DataFrame:
    """Rows of `sessions.csv`, with all its columns; `started_at_utc` as a time."""
    name = "sessions.csv"
    rows = _list(folder, name)
    started = _instants(rows["started_at_utc"])
    _require(
        name, rows, rows["started_at_utc"].is_null() | started.is_not_null(), "started_at_utc", "2026-03-14T09:30:00Z"
    )
    _require_choices(name, rows)
    identified = rows["file"].is_not_null() | (rows["started_at_utc"].is_not_null() & rows["athlete_id"].is_not_null())
    _require(name, rows, identified, "file", "a file, or started_at_utc with athlete_id")
    shoes = _list(folder, "shoes.csv")
    if not shoes.is_empty():
        known = rows["shoe_id"].is_null() | rows["shoe_id"].is_in(shoes["shoe_id"].to_list())
        _require(name, rows, known, "shoe_id", "a shoe listed in shoes.csv")
    return rows.with_columns(started.alias("started_at_utc"))


def athletes(folder: Path) -> pl.DataFrame:
    """Rows of `roster.csv`, with all its columns; mass, height and leg length as numbers."""
    name = "roster.csv"
    rows = _list(folder, name)
    _require(name, rows, rows["athlete_id"].is_not_null(), "athlete_id", "the name of the athlete's folder")
    _require(name, rows, rows["athlete_id"].is_first_distinct(), "athlete_id", "each athlete once")
    numbers = []
    # Adults and children who run; outside these the unit is likely another one. Common practice, no source.
    for column, low, high in (("mass_kg", 20, 200), ("height_m", 0.9, 2.4), ("leg_length_m", 0.4, 1.4)):
        number = rows[column].cast(pl.Float64, strict=False)
        is_sound = rows[column].is_null() | number.is_between(low, high).fill_null(value=False)
        _require(name, rows, is_sound, column, f"a number between {low} and {high}")
        numbers.append(number.alias(column))
    return rows.with_columns(numbers)


def strikes(folder: Path) -> pl.DataFrame:
    """Rows of `strikes.csv`, one per foot, with all its columns; times, dates and numbers as such.

    `date` is given in every row (of the start in UTC, where the file gives none), and `heel` has become `rearfoot`.
    """
    name = "strikes.csv"
    rows = _list(folder, name)
    _require(name, rows, rows["athlete_id"].is_not_null(), "athlete_id", "the name of the athlete's folder")
    started = _instants(rows["started_at_utc"])
    day = rows["date"].str.to_date("%Y-%m-%d", strict=False)
    for column, read, example in (("started_at_utc", started, "2026-03-14T09:30:00Z"), ("date", day, "2026-03-14")):
        _require(name, rows, rows[column].is_null() | read.is_not_null(), column, example)
    _require(name, rows, started.is_not_null() | day.is_not_null(), "date", "a date, or started_at_utc")
    # A date is a local one: midnight may lie between it and the start in UTC.
    apart = (started.dt.date() - day).dt.total_days().abs()
    _require(name, rows, (apart <= 1).fill_null(value=True), "date", "the date of started_at_utc")
    _require(name, rows, rows["distance_km"].is_not_null(), "distance_km", "the kilometres from the start")
    numbers = []
    for column, low, high in (("distance_km", 0, 1000), ("angle_deg", -60, 60), ("strike_index_pct", 0, 100)):
        number = rows[column].cast(pl.Float64, strict=False)
        is_sound = rows[column].is_null() | number.is_between(low, high).fill_null(value=False)
        _require(name, rows, is_sound, column, f"a number between {low} and {high}")
        numbers.append(number.alias(column))
    _require_choices(name, rows)
    says = rows["strike"].is_not_null() | rows["angle_deg"].is_not_null() | rows["strike_index_pct"].is_not_null()
    _require(name, rows, says, "strike", f"{', '.join(STRIKE_WORDS)}, or an angle_deg or strike_index_pct")
    judged = rows.with_columns(
        numbers,
        date=pl.coalesce(day, started.dt.date()),
        started_at_utc=started,
        strike=pl.col("strike").replace(HEEL, REARFOOT),
    ).with_columns(pl.col("distance_km").round(3))
    place = judged.select("athlete_id", "date", "distance_km", "foot")
    _require(
        name,
        rows,
        place.select(pl.struct(pl.all()).is_first_distinct()).to_series(),
        "foot",
        "each foot of an athlete once at a distance on a date",
    )
    is_alone = ~place.select("athlete_id", "date", "distance_km").is_duplicated()
    _require(
        name, rows, rows["foot"].is_not_null() | is_alone, "foot", "left or right, where an athlete has two rows there"
    )
    return judged


def complaints(folder: Path) -> pl.DataFrame:
    """Rows of `complaints.csv`, with all its columns and their line; the text is kept as written."""
    name = "complaints.csv"
    rows = _list(folder, name)
    _require(name, rows, rows["athlete_id"].is_not_null(), "athlete_id", "the name of the athlete's folder")
    first, last = (rows[column].str.to_date("%Y-%m-%d", strict=False) for column in ("from_date", "to_date"))
    _require(name, rows, first.is_not_null(), "from_date", "a date such as 2026-03-14")
    _require(name, rows, rows["to_date"].is_null() | last.is_not_null(), "to_date", "a date such as 2026-03-14")
    _require(name, rows, (last >= first).fill_null(value=True), "to_date", "a date not before from_date")
    return rows.with_columns(from_date=first.dt.to_string("%Y-%m-%d"), to_date=last.dt.to_string("%Y-%m-%d"))


# --- Reading them ----------------------------------------------------------------------------------------------------


def read_text(path: Path) -> str:
    """The text of a file that the user wrote.

    Raises:
        UsageError: not in UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path.name} is not a text in UTF-8: {error.reason}. Save it again as UTF-8.") from error


#: ISO 8601 with a time of day. Other notations put the month first or second, which cannot be told apart.
_INSTANT = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})?$"


def _instants(texts: pl.Series) -> pl.Series:
    """Texts as times in UTC; null where they are not written in ISO 8601."""
    iso = texts.str.contains(_INSTANT).fill_null(value=False)
    written = pl.select(pl.when(iso).then(texts)).to_series()
    return written.str.to_datetime(time_unit="us", time_zone="UTC", strict=False)


def _list(folder: Path, name: str) -> pl.DataFrame:
    """A list as text columns, all of them present; empty where the file is absent."""
    columns = LISTS[name]
    path = folder / name
    schema = {**dict.fromkeys(columns, pl.String), "line": pl.Int64}
    if not path.is_file():
        return pl.DataFrame(schema=schema)
    lines = list(_lines(name, read_text(path)))
    header = lines[0][1] if lines else []
    unknown = [column for column in header if column not in columns]
    if unknown:
        raise UsageError(f"{name}, line 1: unknown column '{unknown[0]}'; expected some of {', '.join(columns)}.")
    if len(set(header)) < len(header):
        twice = next(column for column in header if header.count(column) > 1)
        raise UsageError(f"{name}, line 1: the column '{twice}' is there twice.")
    if columns[0] not in header and name != "sessions.csv":
        raise UsageError(f"{name}, line 1: the column '{columns[0]}' is missing.")
    for number, cells in lines:
        if len(cells) > len(header):
            raise UsageError(
                f"{name}, line {number}: {len(cells)} cells; expected {len(header)}. "
                "A text that holds a comma needs quotation marks."
            )
    rows = [{**dict(zip(header, cells, strict=False)), "line": number} for number, cells in lines[1:] if any(cells)]
    return pl.DataFrame(rows, schema=schema).with_columns(pl.col(columns).replace("", None))


def _lines(name: str, text: str) -> Iterator[tuple[int, list[str]]]:
    """Each line with the number of the line it begins on: a text in quotation marks may go over several."""
    lines = csv.reader(io.StringIO(text, newline=""), strict=True)
    number = 1
    try:
        for cells in lines:
            yield number, [cell.strip() for cell in cells]
            number = lines.line_num + 1
    except csv.Error as error:
        raise UsageError(f"{name}, line {number}: not comma-separated values: {error}.") from error


def _require_choices(name: str, rows: pl.DataFrame) -> None:
    for column, words in CHOICES[name].items():
        _require(name, rows, rows[column].is_null() | rows[column].is_in(words), column, " or ".join(words))


def _require(name: str, rows: pl.DataFrame, holds: pl.Series, column: str, expected: str) -> None:
    """Name the first line that breaks a rule."""
    broken = rows.filter(~holds)
    if not broken.is_empty():
        found = broken[column][0]
        said = "nothing" if found is None else f"'{found}'"
        raise UsageError(f"{name}, line {broken['line'][0]}: {column} is {said}; expected {expected}.")

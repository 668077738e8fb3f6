"""The inbox: which files it holds, whose they are, and the lists that lie beside them.

The lists (`roster.csv`, `sessions.csv`, `shoes.csv`, `strikes.csv`, `complaints.csv`) are written by hand. A fault in
one is the user's to mend before anything is computed: a wrong surface or mass would be silently wrong everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from pipeline.errors import NothingDone, Refused, UsageError
from pipeline.formats.column_mapping import ColumnMapping, read_mapping
from pipeline.settings import SETTINGS_FILE, Settings, read_settings

COLUMNS_FILE = "columns.toml"

KINDS = ("race", "training", "test")
SURFACES = ("road", "track", "trail", "sand", "grass", "treadmill")

#: The lists, the columns each may have, the first the one it must have.
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


@dataclass(frozen=True)
class InboxFile:
    """A file of the inbox. `athlete_id` is None for one that lies in no athlete's folder."""

    path: str
    athlete_id: str | None


@dataclass(frozen=True)
class Inbox:
    """What was found in an inbox.

    Attributes:
        folder: its place.
        files: everything that may be a recording, in order of path; lists and settings are not among them.
        settings: the settings in force.
        sessions: rows of `sessions.csv`, with all its columns; `started_at_utc` as a time.
        athletes: `athlete_id`, `display_name`, `mass_kg`, `height_m`, `leg_length_m` of the roster.
    """

    folder: Path
    files: tuple[InboxFile, ...]
    settings: Settings
    sessions: pl.DataFrame
    athletes: pl.DataFrame

    def mapping_for(self, file: InboxFile) -> ColumnMapping | None:
        """What `columns.toml` says of a CSV file: the nearest one in its folder or above, inside the inbox.

        Raises:
            Refused: that file has a fault.
        """
        name = Path(file.path).name
        for folder in (self.folder / file.path).parents:
            described = folder / COLUMNS_FILE
            if described.is_file():
                return read_mapping(described.read_text(encoding="utf-8"), name)
            if folder == self.folder:
                break
        return None


def read_inbox(folder: Path) -> Inbox:
    """Look through an inbox and read its lists and settings; recordings are not opened.

    Raises:
        UsageError: the folder does not exist, or a list or the settings have a fault.
        NothingDone: it holds no file that could be a recording.
    """
    if not folder.is_dir():
        raise UsageError(f"There is no folder {folder}. --inbox takes the folder that holds one folder an athlete.")
    settings_file = folder / SETTINGS_FILE
    settings = read_settings(settings_file.read_text(encoding="utf-8")) if settings_file.is_file() else Settings()
    files = tuple(_files(folder))
    if not files:
        raise NothingDone(
            f"The inbox {folder} holds no recordings. Put each athlete's files into a folder named for the athlete, "
            "such as inbox/ari/2026-03-14.fit."
        )
    return Inbox(folder, files, settings, _sessions(folder), _athletes(folder))


def _files(folder: Path) -> Iterator[InboxFile]:
    """Files in order of path; hidden ones, lists, settings and links that lead outside are passed over."""
    root = folder.resolve()
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        if any(part.startswith(".") for part in relative.parts) or not path.is_file():
            continue
        if not path.resolve().is_relative_to(root):
            continue
        if path.name == COLUMNS_FILE or (len(relative.parts) == 1 and path.name in {*LISTS, SETTINGS_FILE}):
            continue
        yield InboxFile(relative.as_posix(), relative.parts[0] if len(relative.parts) > 1 else None)


def started_at(sessions: pl.DataFrame, path: str) -> datetime | None:
    """Start that `sessions.csv` gives for a file, for recordings without a clock of their own."""
    listed = sessions.filter(pl.col("file") == path)["started_at_utc"].drop_nulls()
    return listed[0] if len(listed) else None


# --- The lists -------------------------------------------------------------------------------------------------------


def _sessions(folder: Path) -> pl.DataFrame:
    name = "sessions.csv"
    rows = _list(folder, name)
    started = rows["started_at_utc"].str.to_datetime(time_unit="us", time_zone="UTC", strict=False)
    _require(
        name, rows, rows["started_at_utc"].is_null() | started.is_not_null(), "started_at_utc", "2026-03-14T09:30:00Z"
    )
    for column, words in (("kind", KINDS), ("surface", SURFACES)):
        _require(name, rows, rows[column].is_null() | rows[column].is_in(words), column, " or ".join(words))
    identified = rows["file"].is_not_null() | (rows["started_at_utc"].is_not_null() & rows["athlete_id"].is_not_null())
    _require(name, rows, identified, "file", "a file, or started_at_utc with athlete_id")
    shoes = _list(folder, "shoes.csv")
    if not shoes.is_empty():
        known = rows["shoe_id"].is_null() | rows["shoe_id"].is_in(shoes["shoe_id"].to_list())
        _require(name, rows, known, "shoe_id", "a shoe listed in shoes.csv")
    return rows.with_columns(started.alias("started_at_utc"))


def _athletes(folder: Path) -> pl.DataFrame:
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


def _list(folder: Path, name: str) -> pl.DataFrame:
    """A list as text columns, all of them present; empty where the file is absent."""
    columns = LISTS[name]
    path = folder / name
    schema = dict.fromkeys(columns, pl.String)
    if not path.is_file():
        return pl.DataFrame(schema={**schema, "line": pl.Int64})
    try:
        rows = pl.read_csv(path, infer_schema=False, encoding="utf8")
    except pl.exceptions.PolarsError as error:
        raise UsageError(
            f"{name} cannot be read as comma-separated values in UTF-8: {str(error).splitlines()[0]}."
        ) from error
    unknown = [column for column in rows.columns if column not in columns]
    if unknown:
        raise UsageError(f"{name}, line 1: unknown column '{unknown[0]}'; expected some of {', '.join(columns)}.")
    if columns[0] not in rows.columns and name != "sessions.csv":
        raise UsageError(f"{name}, line 1: the column '{columns[0]}' is missing.")
    text = rows.with_columns(pl.all().str.strip_chars().replace("", None))
    absent = [pl.lit(None, dtype=pl.String).alias(column) for column in columns if column not in rows.columns]
    return text.with_columns(absent).with_columns((pl.int_range(pl.len()) + 2).alias("line"))


def _require(name: str, rows: pl.DataFrame, holds: pl.Series, column: str, expected: str) -> None:
    """Name the first line that breaks a rule."""
    broken = rows.filter(~holds)
    if not broken.is_empty():
        found = broken[column][0]
        said = "nothing" if found is None else f"'{found}'"
        raise UsageError(f"{name}, line {broken['line'][0]}: {column} is {said}; expected {expected}.")


def utc(seconds: float) -> datetime:
    """Seconds since 1970 as a time in UTC.

    Raises:
        Refused: no date of a calendar.
    """
    try:
        return datetime.fromtimestamp(seconds, tz=UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise Refused("The recording's time is no date of any calendar.", "Set the device's clock.") from error

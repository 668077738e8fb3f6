"""The lists of the inbox: roster, sessions, shoes, strikes, complaints and events, each as CSV or as a workbook.

They are written by hand. A fault in a line costs that line, with a notice that names file, line, what was found and
what was expected; only a file that cannot be read as a whole stops the command. Dates are ISO 8601 or any other
notation that the dates of the column decide; times without a zone are in `time_zone` of `columns.toml` in the inbox,
else in UTC.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.errors import Refused, UsageError
from pipeline.core.written import is_own, read_text
from pipeline.formats import clock
from pipeline.formats.column_mapping import ColumnMapping, read_mapping
from pipeline.inbox.list_files import Checked, read_list
from pipeline.tables.observed import EVENT_KINDS, LANDINGS, REARFOOT

KINDS = ("race", "training", "test")
SURFACES = ("road", "track", "trail", "sand", "grass", "treadmill")

#: `heel` is another word for rearfoot. A class was seen or measured at the foot: no method is a watch.
HEEL = "heel"
STRIKE_WORDS = (*LANDINGS, HEEL)
STRIKE_METHODS = ("video", "footprint", "insole", "imu")
FEET = ("left", "right")

#: The lists and the columns each may have; the first one is required, but for sessions.csv.
LISTS: Mapping[str, tuple[str, ...]] = {
    "roster.csv": (
        "athlete_id", "display_name", "mass_kg", "height_m", "leg_length_m", "born_year", "sex", "squad",
        "experience_years", "note",
    ),
    "sessions.csv": ("file", "started_at_utc", "athlete_id", "kind", "surface", "shoe_id", "note"),
    "shoes.csv": ("shoe_id", "name", "heel_toe_drop_mm", "heel_stack_mm", "mass_g"),
    "strikes.csv": (
        "athlete_id", "started_at_utc", "date", "distance_km", "foot", "strike", "angle_deg", "strike_index_pct",
        "method", "rater", "frame_rate_hz", "n_runners", "note",
    ),
    "complaints.csv": ("athlete_id", "from_date", "to_date", "site", "note"),
    "events.csv": ("athlete_id", "date", "kind", "note"),
}  # fmt: skip

#: Columns that accept certain words only.
CHOICES: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "sessions.csv": {"kind": KINDS, "surface": SURFACES},
    "strikes.csv": {"foot": FEET, "strike": STRIKE_WORDS, "method": STRIKE_METHODS},
    "events.csv": {"kind": EVENT_KINDS},
}


_COLUMNS_FILE = "columns.toml"
_ATHLETE = "the name of the athlete's folder"
#: On all lines of strikes.csv: each runner of a group becomes a row. Common practice, no source.
MOST_RUNNERS = 1_000_000
#: Of all distances that a runner was seen at on a day, each two are compared: 25,000 runners at five distances make so
#: many. Common practice, no source.
MOST_PAIRS = 250_000
_FEW_PAIRS = f"at most {MOST_PAIRS:,} pairs of distances at which runners were seen, on all lines together"
#: Dates outside these are mistyped, and weeks before or after them may not exist. Common practice, no source.
_EARLIEST, _LATEST = date(1900, 1, 1), date(2100, 12, 31)
_DATE = "a date such as 2026-03-14 (or date_order in columns.toml)"


@dataclass(frozen=True)
class Lists:
    """The lists of an inbox.

    Attributes:
        rows: name of each of `LISTS` -> its rows, with all its columns and their line; empty where it is absent.
        names: the same -> what the file is called, for messages: `roster.xlsx`.
        notices: lines and columns that are not used, a sentence each.
    """

    rows: Mapping[str, pl.DataFrame]
    names: Mapping[str, str]
    notices: tuple[str, ...]


def read_lists(folder: Path) -> Lists:
    """Read every list of an inbox.

    Raises:
        UsageError: a file that cannot be read as a whole.
    """
    columns = _columns_text(folder)
    files = {name: _checked(folder, name, columns) for name in LISTS}
    shoes = _used(_shoes, files["shoes.csv"])
    rows = {
        "roster.csv": _used(_athletes, files["roster.csv"]),
        "sessions.csv": _used(_sessions, files["sessions.csv"], shoes),
        "shoes.csv": shoes,
        "strikes.csv": _used(_strikes, files["strikes.csv"]),
        "complaints.csv": _used(_complaints, files["complaints.csv"]),
        "events.csv": _used(_events, files["events.csv"]),
    }
    names = {name: file.name for name, file in files.items()}
    return Lists(rows, names, tuple(text for file in files.values() for text in file.notices))


#: What becomes of a list without rows.
_NO_ROWS: dict[Callable[..., pl.DataFrame], pl.DataFrame] = {}


def _used(judge: Callable[..., pl.DataFrame], listed: Checked, *more: pl.DataFrame) -> pl.DataFrame:
    """The rows of a list that are used. Most are absent or empty, which always gives the same: worked out once."""
    if not listed.rows.is_empty():
        return judge(listed, *more)
    if judge not in _NO_ROWS:
        _NO_ROWS[judge] = judge(listed, *more)
    return _NO_ROWS[judge]


def _sessions(listed: Checked, shoes: pl.DataFrame) -> pl.DataFrame:
    """Rows of `sessions.csv`; `started_at_utc` as a time."""
    rows = _in_known_words(listed)
    started = _instants(listed, "started_at_utc")
    identified = rows["file"].is_not_null() | (rows["started_at_utc"].is_not_null() & rows["athlete_id"].is_not_null())
    listed.require(identified, "file", "a file, or started_at_utc with athlete_id")
    if not shoes.is_empty():
        is_known = rows["shoe_id"].is_null() | rows["shoe_id"].is_in(shoes["shoe_id"].to_list())
        listed.require(is_known, "shoe_id", "a shoe listed in shoes.csv")
    return listed.sound(rows.with_columns(started.alias("started_at_utc")))


def _athletes(listed: Checked) -> pl.DataFrame:
    """Rows of `roster.csv`; mass, height, leg length, year of birth and experience as numbers."""
    rows = listed.rows
    listed.require(rows["athlete_id"].is_not_null(), "athlete_id", _ATHLETE)
    # Adults and children who run; outside these the unit is likely another one. Common practice, no source.
    limits = (
        ("mass_kg", 20, 200), ("height_m", 0.9, 2.4), ("leg_length_m", 0.4, 1.4), ("born_year", 1900, 2100),
        ("experience_years", 0, 90),
    )  # fmt: skip
    numbers = [_number(listed, column, low, high) for column, low, high in limits]
    listed.require_first([rows["athlete_id"]], "athlete_id", "each athlete once")
    return listed.sound(rows.with_columns(numbers))


def _shoes(listed: Checked) -> pl.DataFrame:
    """Rows of `shoes.csv`; drop, stack and mass as numbers."""
    rows = listed.rows
    listed.require(rows["shoe_id"].is_not_null(), "shoe_id", "a name of the shoe")
    limits = (("heel_toe_drop_mm", -20, 40), ("heel_stack_mm", 0, 100), ("mass_g", 20, 1000))
    numbers = [_number(listed, column, low, high) for column, low, high in limits]
    listed.require_first([rows["shoe_id"]], "shoe_id", "each shoe once")
    return listed.sound(rows.with_columns(numbers))


def _strikes(listed: Checked) -> pl.DataFrame:
    """Rows of `strikes.csv`, one per foot; times, dates and numbers as such.

    `date` is given in every row (of the start in UTC, where the file gives none), `heel` has become `rearfoot`, and
    `n_runners` is 1 where none is given: with more, `athlete_id` names a group of runners who all landed so, at each of
    its distances.
    """
    rows = _in_known_words(listed)
    listed.require(rows["athlete_id"].is_not_null(), "athlete_id", _ATHLETE)
    started, day = _instants(listed, "started_at_utc"), _dates(listed, "date", _DATE)
    listed.require(started.is_not_null() | day.is_not_null(), "date", "a date, or started_at_utc")
    # A date is a local one: midnight may lie between it and the start in UTC.
    apart = (started.dt.date() - day).dt.total_days().abs()
    listed.require((apart <= 1).fill_null(value=True), "date", "the date of started_at_utc")
    listed.require(rows["distance_km"].is_not_null(), "distance_km", "the kilometres from the start")
    limits = (
        ("distance_km", 0, 1000), ("angle_deg", -60, 60), ("strike_index_pct", 0, 100), ("frame_rate_hz", 1, 100_000),
        ("n_runners", 1, MOST_RUNNERS),
    )  # fmt: skip
    numbers = [_number(listed, column, low, high) for column, low, high in limits]
    n_runners = numbers[-1].fill_null(1.0)
    listed.require(n_runners == n_runners.round(), "n_runners", "a whole number of runners")
    _require_few(listed, n_runners)
    says = rows["strike"].is_not_null() | rows["angle_deg"].is_not_null() | rows["strike_index_pct"].is_not_null()
    listed.require(says, "strike", f"{', '.join(STRIKE_WORDS)}, or an angle_deg or strike_index_pct")
    judged = rows.with_columns(
        numbers[:-1],
        date=pl.coalesce(day, started.dt.date()),
        started_at_utc=started,
        strike=pl.col("strike").replace(HEEL, REARFOOT),
        n_runners=n_runners.round().cast(pl.Int64, strict=False),
    ).with_columns(pl.col("distance_km").round(3))
    listed.require(_pairs_so_far(judged) <= MOST_PAIRS, "distance_km", _FEW_PAIRS)
    of_group = judged["n_runners"] == judged.select(pl.col("n_runners").first().over("athlete_id", "date")).to_series()
    listed.require(of_group.fill_null(value=True), "n_runners", "the same number wherever the group was seen that day")
    place = ("athlete_id", "date", "distance_km", "rater")
    listed.require_first(
        [judged[column] for column in (*place, "foot")], "foot", "each foot of an athlete once at a distance on a date"
    )
    several = listed.sound(judged).filter(pl.struct(place).is_duplicated() & pl.col("foot").is_null())["line"]
    is_told = ~rows["line"].is_in(several.to_list())
    listed.require(is_told, "foot", "left or right, where an athlete has two rows there")
    return listed.sound(judged)


def _require_few(listed: Checked, n_runners: pl.Series) -> None:
    so_far = n_runners.set(~n_runners.is_between(1, MOST_RUNNERS), 0.0).cum_sum()
    listed.require(so_far <= MOST_RUNNERS, "n_runners", f"at most {MOST_RUNNERS:,} runners on all lines together")


def _pairs_so_far(judged: pl.DataFrame) -> pl.Series:
    """Of each line, how many pairs of distances the runners on it and above were seen at."""
    of_day = ("athlete_id", "date")
    is_new = pl.struct(*of_day, "distance_km").is_first_distinct()
    n_before = pl.when(is_new).then(is_new.cum_sum().over(of_day) - 1).otherwise(0)
    return judged.select((n_before * pl.col("n_runners").fill_null(1)).cum_sum()).to_series()


def _complaints(listed: Checked) -> pl.DataFrame:
    """Rows of `complaints.csv`; the text is kept as written."""
    rows = listed.rows
    listed.require(rows["athlete_id"].is_not_null(), "athlete_id", _ATHLETE)
    first, last = (_dates(listed, column, _DATE) for column in ("from_date", "to_date"))
    listed.require(first.is_not_null(), "from_date", _DATE)
    listed.require((last >= first).fill_null(value=True), "to_date", "a date not before from_date")
    dates = {"from_date": first.dt.to_string("%Y-%m-%d"), "to_date": last.dt.to_string("%Y-%m-%d")}
    return listed.sound(rows.with_columns(**dates))


def _events(listed: Checked) -> pl.DataFrame:
    """Rows of `events.csv`; dates as text in ISO 8601, the note as written."""
    rows = _in_known_words(listed)
    listed.require(rows["athlete_id"].is_not_null(), "athlete_id", _ATHLETE)
    day = _dates(listed, "date", _DATE)
    listed.require(day.is_not_null(), "date", _DATE)
    listed.require(rows["kind"].is_not_null(), "kind", " or ".join(EVENT_KINDS))
    return listed.sound(rows.with_columns(date=day.dt.to_string("%Y-%m-%d")))


# --- Reading them ----------------------------------------------------------------------------------------------------


def _checked(folder: Path, name: str, columns: str) -> Checked:
    needed = None if name == "sessions.csv" else LISTS[name][0]
    try:
        mapping = read_mapping(columns, name) or ColumnMapping()
    except Refused:  # which is named with the recordings that it is for
        mapping = ColumnMapping()
    return Checked(read_list(folder, name, LISTS[name], needed=needed, mapping=mapping))


def _columns_text(folder: Path) -> str:
    """What `columns.toml` of the inbox says; nothing where it is absent or cannot be read."""
    try:
        return read_text(folder / _COLUMNS_FILE) if is_own(folder, _COLUMNS_FILE) else ""
    except (OSError, UsageError):
        return ""


def _number(listed: Checked, column: str, low: float, high: float) -> pl.Series:
    """A column as numbers, with a decimal point or comma."""
    cells = listed.rows[column]
    number = cells.str.replace(r"^([-+]?\d*),(\d+)$", "$1.$2").cast(pl.Float64, strict=False)
    is_sound = cells.is_null() | number.is_between(low, high).fill_null(value=False)
    listed.require(is_sound, column, f"a number between {low} and {high}")
    return number.alias(column)


def _dates(listed: Checked, column: str, expected: str) -> pl.Series:
    """A column as dates; a time of midnight is what spreadsheets add."""
    cells = listed.rows[column]
    if cells.null_count() == len(cells):
        return pl.Series(column, [None] * len(cells), pl.Date)
    at_midnight = cells.str.replace(clock.MIDNIGHT, "") + " 00:00"
    iso = clock.iso_texts(at_midnight, listed.mapping.date_order)
    day = iso.str.strip_suffix("T00:00:00").str.to_date("%Y-%m-%d", strict=False)
    is_plausible = day.is_between(_EARLIEST, _LATEST).fill_null(value=False)
    listed.require(cells.is_null() | is_plausible, column, expected)
    return day


def _instants(listed: Checked, column: str) -> pl.Series:
    """A column as times in UTC; those without a zone are in that of `columns.toml`, else in UTC, which is said."""
    cells, zone, order = listed.rows[column], listed.mapping.time_zone, listed.mapping.date_order
    if cells.null_count() == len(cells):
        return pl.Series(column, [None] * len(cells), pl.Datetime("us", "UTC"))
    instants = clock.instants(cells, zone=zone or "UTC", order=order)
    listed.require(cells.is_null() | instants.is_not_null(), column, "2026-03-14T09:30:00Z")
    without = listed.rows.filter(clock.lacks_zone(cells).fill_null(value=False) & instants.is_not_null())["line"]
    if zone is None and len(without):
        more = f" and {len(without) - 1} more" if len(without) > 1 else ""
        listed.say(
            f"{listed.name}, line {without[0]}{more}: {column} has no zone and is taken as UTC. Write Z or an offset, "
            f'or time_zone = "Europe/Lisbon" (your own) under [files."{listed.name}"] in columns.toml of the inbox.'
        )
    return instants


def _in_known_words(listed: Checked) -> pl.DataFrame:
    """The rows with words that have one spelling, written in any letters, in that spelling."""
    name = next(name for name in CHOICES if name.partition(".")[0] == listed.name.partition(".")[0])
    for column, words in CHOICES[name].items():
        spelled = listed.rows[column].str.to_lowercase()
        is_known = spelled.is_null() | spelled.is_in(words)
        listed.require(is_known, column, " or ".join(words))
        listed.rows = listed.rows.with_columns(pl.when(is_known).then(spelled).otherwise(column).alias(column))
    return listed.rows

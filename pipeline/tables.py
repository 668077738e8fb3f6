"""The tables, one class each: the only place where a column's type, unit, range and meaning are written.

Validation, rounding at publication, Parquet metadata, DuckDB comments and the dictionary all come from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dataframely as dy
import polars as pl

from pipeline.errors import BrokenPromise

STATUSES = ("accepted", "salvaged", "duplicate", "not_running", "rejected")
GAITS = ("run", "walk", "stand")
FINDINGS = ("rises", "falls", "holds", "unclear", "too_little_data")


def _identifier(meaning: str, *, key: bool = False, nullable: bool = False) -> dy.String:
    return dy.String(primary_key=key, nullable=nullable, description=meaning, metadata={"unit": ""})


def _words(meaning: str, *choices: str, key: bool = False, nullable: bool = False) -> dy.String:
    """Free text, or one of the choices where there are any."""
    return dy.String(
        primary_key=key,
        nullable=nullable,
        check=(lambda column: column.is_in(choices)) if choices else None,
        description=meaning + (f" One of: {', '.join(choices)}." if choices else ""),
        metadata={"unit": ""},
    )


def _count(meaning: str, *, key: bool = False, nullable: bool = False, smallest: int = 0) -> dy.Int64:
    return dy.Int64(primary_key=key, nullable=nullable, min=smallest, description=meaning, metadata={"unit": "count"})


def _measure(
    unit: str,
    decimals: int,
    meaning: str,
    *,
    key: bool = False,
    nullable: bool = True,
    smallest: float | None = None,
    largest: float | None = None,
) -> dy.Float64:
    return dy.Float64(
        primary_key=key,
        nullable=nullable,
        min=smallest,
        max=largest,
        description=meaning,
        metadata={"unit": unit, "decimals": decimals},
    )


def _instant(meaning: str) -> dy.Datetime:
    return dy.Datetime(time_unit="us", time_zone="UTC", description=meaning, metadata={"unit": "UTC"})


class Recordings(dy.Schema):
    """The ledger: an inbox file, or a session inside one, and what became of it."""

    path = _identifier("The file, relative to the inbox; a file inside an archive follows after '!'.", key=True)
    session = _count("Place of the session inside the file, 1 the first.", key=True, smallest=1)
    sha256 = _identifier("Digest of the file's bytes (of the unpacked member inside an archive).")
    athlete_id = _identifier(
        "Folder of the inbox that holds the file; null for a file in no athlete's folder.", nullable=True
    )
    run_id = _identifier("The run it became, or for a duplicate the run that was kept.", nullable=True)
    format = _words("Format it was read as; null if no reader was chosen.", "fit", "csv", "tcx", "gpx", nullable=True)
    status = _words("What became of it; salvaged means a damaged file of which a part was kept.", *STATUSES)
    reason = _words("Why, in words for the person who owns the file.")
    fix = _words("What that person can do about it; null where nothing needs doing or can be done.", nullable=True)
    n_samples = _count("Rows with a time that could be read.")


class Runs(dy.Schema):
    """An accepted run."""

    run_id = _identifier("Athlete and start of the run.", key=True)
    athlete_id = _identifier("Folder of the inbox that held the file.")
    started_at_utc = _instant("Time of the first sample.")
    distance_km = _measure("km", 3, "Distance covered while the clock ran.", nullable=False, smallest=0)
    moving_s = _measure(
        "s", 1, "Time spent running or walking: pauses and standing left out.", nullable=False, smallest=0
    )
    paused_s = _measure(
        "s", 1, "Time in pauses, by the device's timer or by gaps without progress.", nullable=False, smallest=0
    )
    kind = _words("Kind of session from sessions.csv (race, training, test); null if not listed.", nullable=True)
    surface = _words("Surface from sessions.csv; null if not listed.", nullable=True)
    shoe_id = _identifier("Shoe from sessions.csv; null if not listed.", nullable=True)
    device = _words("Manufacturer and model as the file names them; never a serial number.", nullable=True)
    sensors = _words(
        "Where a quantity came from a self-described field, or from one of two sensors: which.", nullable=True
    )
    altitude = _words("Which slope window its altitude needed.", "steady", "rough", "absent")


class Samples(dy.Schema):
    """A recorded instant of a run. Partitioned by athlete_id and month."""

    run_id = _identifier("The run it belongs to.", key=True)
    elapsed_s = _measure(
        "s", 3, "Time since the first sample of the run, pauses included.", key=True, nullable=False, smallest=0
    )
    interval_s = _measure(
        "s",
        3,
        "Time since the sample before, pauses left out: how long this sample stands for.",
        nullable=False,
        smallest=0,
    )
    distance_m = _measure("m", 2, "Distance covered so far; never decreases.", nullable=False, smallest=0)
    covered_m = _measure("m", 2, "Distance covered in that interval.", nullable=False, smallest=0)
    speed_m_s = _measure("m/s", 3, "Recorded speed, or from distance and time where absent or impossible.", smallest=0)
    altitude_m = _measure("m", 1, "Recorded altitude.")
    slope_pct = _measure(
        "%", 2, "Rise over run of a line fitted to altitude over distance around here; uphill positive."
    )
    gait = _words("By cadence first, with speed in support.", *GAITS)
    cadence_spm = _measure("steps/min", 2, "Steps of both feet a minute; null when missing or impossible.", smallest=0)
    contact_time_ms = _measure(
        "ms", 1, "Time one foot is on the ground in one step; null when missing or impossible.", smallest=0
    )
    vertical_oscillation_mm = _measure(
        "mm", 1, "Rise and fall of the trunk in a step, as the sensor gives it.", smallest=0
    )
    contact_balance_pct = _measure(
        "% left", 2, "Share of the left foot in the contact time of a stride.", smallest=0, largest=100
    )
    heart_rate_bpm = _measure("beats/min", 0, "Heart rate; null when missing or impossible.", smallest=0)


class SetAside(dy.Schema):
    """A run, a quantity and a reason for which samples of it were set aside."""

    run_id = _identifier("The run.", key=True)
    quantity = _words("The column of samples concerned, or 'sample' for whole rows.", key=True)
    reason = _words("Why its values were set aside.", key=True)
    n_samples = _count("How many samples.", smallest=1)


class Splits(dy.Schema):
    """A kilometre of a run (or another split length, by the settings). Partitioned by athlete_id and month."""

    run_id = _identifier("The run.", key=True)
    athlete_id = _identifier("The athlete.")
    km = _count(
        "Number of the split along the run, 1 the first. Its boundaries are interpolated between samples.",
        key=True,
        smallest=1,
    )
    length_m = _measure("m", 2, "Distance covered in it; short for the last one.", nullable=False, smallest=0)
    moving_s = _measure("s", 2, "Time spent running or walking in it.", nullable=False, smallest=0)
    running_s = _measure("s", 2, "Time spent running in it.", nullable=False, smallest=0)
    run_share = _measure(
        "share of moving time", 4, "running_s over moving_s; null without moving time.", smallest=0, largest=1
    )
    speed_m_s = _measure("m/s", 4, "Distance run over time run; walking, standing and pauses left out.", smallest=0)
    slope_pct = _measure("%", 3, "Mean slope over the distance of it; uphill positive.")
    slope_squared_pct2 = _measure(
        "%²", 3, "Mean of the squared slope over the distance of it: hills up and down do not cancel.", smallest=0
    )
    cadence_spm = _measure("steps/min", 3, "Time-weighted mean over running samples; steps of both feet.", smallest=0)
    contact_time_ms = _measure("ms", 3, "Time-weighted mean over running samples that have it.", smallest=0)
    flight_time_ms = _measure(
        "ms", 3, "Step time (60000 / cadence_spm) minus contact_time_ms; negative when both feet overlap on the ground."
    )
    duty_factor = _measure(
        "contact / stride",
        5,
        "contact_time_ms over stride time (two steps); below 0.5 there is a flight.",
        smallest=0,
        largest=1,
    )
    step_length_m = _measure("m", 4, "60 × speed_m_s / cadence_spm.", smallest=0)
    vertical_oscillation_mm = _measure("mm", 2, "Time-weighted mean over running samples that have it.", smallest=0)
    leg_stiffness_kn_m = _measure(
        "kN/m", 3, "Of the leg as a spring, by timing, on the level; null until a later release.", smallest=0
    )
    vertical_stiffness_kn_m = _measure(
        "kN/m",
        3,
        "Of the vertical movement as a spring, by timing, on the level; null until a later release.",
        smallest=0,
    )
    contact_balance_pct = _measure(
        "% left", 3, "Time-weighted mean over running samples that have it.", smallest=0, largest=100
    )
    heart_rate_bpm = _measure("beats/min", 2, "Time-weighted mean over running samples that have it.", smallest=0)
    n_valid = _count("Running samples in it (a sample across a boundary counts in both).")


class RunDrift(dy.Schema):
    """A run and a metric: the change along this one run."""

    run_id = _identifier("The run.", key=True)
    athlete_id = _identifier("The athlete.")
    metric = _words("Name of the metric's column in splits.", key=True)
    n_splits = _count("Splits that entered.")
    raw_pct_per_10km = _measure("% per 10 km", 3, "Slope over distance of the logarithm, nothing adjusted.")
    drift_pct_per_10km = _measure(
        "% per 10 km", 3, "The same at equal speed and slope, with the athlete's own responses to both."
    )
    drift_low = _measure("% per 10 km", 3, "Lower end of the 95 % interval of drift_pct_per_10km.")
    drift_high = _measure("% per 10 km", 3, "Upper end of that interval.")


class AthleteDrift(dy.Schema):
    """An athlete and a metric: how it changes as the distance adds up, over all runs."""

    athlete_id = _identifier("The athlete.", key=True)
    metric = _words("Name of the metric's column in splits.", key=True)
    n_runs = _count("Runs that entered.")
    n_splits = _count("Splits that entered.")
    fresh_level = _measure(
        "of the metric", 4, "Level at the reference speed, on the level, at the beginning of a run.", smallest=0
    )
    reference_speed_m_s = _measure("m/s", 3, "The athlete's own median speed over the splits that entered.", smallest=0)
    raw_pct_per_10km = _measure("% of fresh level per 10 km", 3, "Change with distance, nothing adjusted.")
    drift_pct_per_10km = _measure("% of fresh level per 10 km", 3, "Change with distance at equal speed and slope.")
    drift_low = _measure(
        "% of fresh level per 10 km",
        3,
        "Lower end of the 95 % interval of drift_pct_per_10km; whole runs are its unit.",
    )
    drift_high = _measure("% of fresh level per 10 km", 3, "Upper end of that interval.")
    p_value = _measure(
        "probability", 6, "Of a drift at least this far from zero if there were none.", smallest=0, largest=1
    )
    q_value = _measure(
        "probability",
        6,
        "p_value corrected over all athletes and metrics (Benjamini and Hochberg 1995).",
        smallest=0,
        largest=1,
    )
    speed_part_pct = _measure(
        "% of fresh level", 3, "Part of the late-minus-early change that the athlete's response to speed explains."
    )
    slope_part_pct = _measure("% of fresh level", 3, "Part of it that the athlete's response to slope explains.")
    onset_km = _measure(
        "km",
        2,
        "Where the change begins, where a broken line beats a straight one; null until a later release.",
        smallest=0,
    )
    onset_low = _measure("km", 2, "Lower end of its interval; null until a later release.", smallest=0)
    onset_high = _measure("km", 2, "Upper end of its interval; null until a later release.", smallest=0)
    detectable_pct = _measure(
        "% per 10 km", 3, "Smallest drift these data could have shown; null until a later release.", smallest=0
    )
    repeatability = _measure(
        "intraclass correlation",
        3,
        "How alike the runs' own slopes are; null until a later release.",
        smallest=-1,
        largest=1,
    )
    finding = _words("The conclusion; null until a later release.", *FINDINGS, nullable=True)


class SeasonTrend(dy.Schema):
    """An athlete, a metric and a month."""

    athlete_id = _identifier("The athlete.", key=True)
    metric = _words("Name of the metric's column in splits.", key=True)
    month = _words("Calendar month in UTC, YYYY-MM.", key=True)
    drift_pct_per_10km = _measure(
        "% per 10 km", 3, "Mean of the runs' own drifts, weighted by their precision.", nullable=False
    )
    drift_low = _measure(
        "% per 10 km",
        3,
        "Lower end of its 95 % interval, widened where runs disagree more than their own intervals say.",
        nullable=False,
    )
    drift_high = _measure("% per 10 km", 3, "Upper end of that interval.", nullable=False)
    n_runs = _count("Runs of that month that entered.", smallest=1)


TABLES: Mapping[str, type[dy.Schema]] = {
    "recordings": Recordings,
    "runs": Runs,
    "samples": Samples,
    "set_aside": SetAside,
    "splits": Splits,
    "run_drift": RunDrift,
    "athlete_drift": AthleteDrift,
    "season_trend": SeasonTrend,
}

#: Tables too large for one file: by athlete and month.
PARTITIONED = ("samples", "splits")


def publishable(table: str, frame: pl.DataFrame, *, subject: str) -> pl.DataFrame:
    """Bring a stage's rows into the one form in which they are published: columns, types, rounding, order, rules.

    Rounding belongs here because sums of floats differ in their last digits between two equal runs on several cores.

    Args:
        table: a name in `TABLES`.
        frame: at least the columns of the table; absent nullable ones are added as null.
        subject: whose rows they are, for the error.

    Raises:
        BrokenPromise: a rule of the table is broken, or a column that must not be null is absent.
    """
    schema = TABLES[table]
    columns = schema.columns()
    missing = [name for name, column in columns.items() if name not in frame.columns and not column.nullable]
    if missing:
        raise BrokenPromise(f"{subject}: stage output for table {table} lacks the columns {missing}.")
    shaped = frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(column.dtype).alias(name)
        for name, column in columns.items()
    )
    rounded = shaped.with_columns(
        # Adding zero turns the negative zero that rounding can leave into zero: equal numbers, different bytes.
        pl.col(name).fill_nan(None).round(decimals) + 0.0
        for name, column in columns.items()
        if (decimals := decimals_of(column)) is not None
    )
    try:
        validated = schema.validate(rounded)
    except (dy.exc.ValidationError, dy.exc.SchemaError) as error:
        rule = str(error).split("\n\nResolved plan")[0].replace("\n", "; ")
        raise BrokenPromise(f"{subject}: rows for table {table} break a rule of the table: {rule}.") from error
    return pl.DataFrame(validated).sort(schema.primary_key())


def empty(table: str) -> pl.DataFrame:
    """The table without rows."""
    return pl.DataFrame(TABLES[table].create_empty())


def unit_of(column: dy.Column) -> str:
    """The unit of a column as readers see it."""
    return str(_metadata(column).get("unit", ""))


def decimals_of(column: dy.Column) -> int | None:
    """Decimals to which a measured column is published; None for others."""
    decimals = _metadata(column).get("decimals")
    return None if decimals is None else int(decimals)


def meaning_of(table: str) -> str:
    """What a row of the table is, in a sentence."""
    return (TABLES[table].__doc__ or "").strip().replace("\n    ", " ")


def _metadata(column: dy.Column) -> dict[str, Any]:
    return column.metadata or {}

"""The tables, one class each: the only place where a column's type, unit, range and meaning are written.

Validation, rounding at publication, Parquet metadata, DuckDB comments and the dictionary all come from here.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any

import polars as pl

if "sqlalchemy" not in sys.modules:
    # dataframely imports SQLAlchemy wherever it is installed, as it is with Prefect, to offer a translation that we
    # never ask for: half a second in every command and worker. Told that it is absent, it does without.
    sys.modules["sqlalchemy"] = None  # type: ignore[assignment]
    import dataframely as dy

    del sys.modules["sqlalchemy"]
else:
    import dataframely as dy

from pipeline.errors import BrokenPromise

STATUSES = ("accepted", "salvaged", "duplicate", "not_running", "rejected")
GAITS = ("run", "walk", "stand")
FINDINGS = ("rises", "falls", "holds", "unclear", "too_little_data")
STRIKES = ("rearfoot", "midfoot", "forefoot", "asymmetric")
COMPARED = ("all_classes", "rearfoot_or_other")
CALIBRATION_TESTS = ("reversed", "shuffled", "planted")
CALIBRATION_QUESTIONS = ("called", "called_wrong_way", "holds", "excludes_zero", "covers")
PAIRED_TESTS = ("McNemar exact", "Bowker")


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
    n_samples = _count(
        "Rows with a time that could be read; 0 for sessions that are not runs, whose rows are not read."
    )


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
    distance_m = _measure("m", 3, "Distance covered so far; never decreases.", nullable=False, smallest=0)
    covered_m = _measure("m", 3, "Distance covered in that interval.", nullable=False, smallest=0)
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
    )
    step_length_m = _measure("m", 4, "60 × speed_m_s / cadence_spm.", smallest=0)
    vertical_oscillation_mm = _measure("mm", 2, "Time-weighted mean over running samples that have it.", smallest=0)
    leg_stiffness_kn_m = _measure(
        "kN/m",
        3,
        "Of the leg as a spring, from contact_time_ms, flight_time_ms, speed_m_s, mass and leg length (Morin 2005). "
        "Null off the level, where walked, without a flight, or with one of them unknown. Never to be compared across "
        "devices: 5 ms of contact time are 4 % of it.",
        smallest=0,
    )
    vertical_stiffness_kn_m = _measure(
        "kN/m",
        3,
        "Of the body's vertical movement as a spring, from contact_time_ms, flight_time_ms and mass (Morin 2005); null "
        "as leg_stiffness_kn_m is. Never to be compared across devices.",
        smallest=0,
    )
    peak_force_n = _measure(
        "N",
        1,
        "Largest vertical force on the foot if the force is half a sine wave over the contact (Morin 2005); null as "
        "leg_stiffness_kn_m is. Never to be compared across devices.",
        smallest=0,
    )
    leg_length_from = _words(
        "Leg length behind leg_stiffness_kn_m: of the roster, or 0.53 of the roster's height (Winter 1979); null "
        "without leg_stiffness_kn_m.",
        "measured",
        "height",
        nullable=True,
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
    fresh_level = _measure(
        "of the metric",
        4,
        "Level of this run at the athlete's reference speed, on the level, at the beginning, by the athlete's "
        "responses and drift.",
        smallest=0,
    )
    raw_pct_per_10km = _measure("% per 10 km", 3, "Slope over distance of the logarithm, nothing adjusted.")
    drift_pct_per_10km = _measure(
        "% per 10 km", 3, "The same at equal speed and slope, with the athlete's own responses to both."
    )
    drift_low = _measure("% per 10 km", 3, "Lower end of the 95 % interval of drift_pct_per_10km.")
    drift_high = _measure("% per 10 km", 3, "Upper end of that interval.")
    own_error_pct_per_10km = _measure(
        "% per 10 km", 4, "Standard error of drift_pct_per_10km from the scatter of this run's splits.", smallest=0
    )
    shared_error_pct_per_10km = _measure(
        "% per 10 km",
        4,
        "Standard error that the uncertainty of the athlete's responses adds; runs have it in common, so that a mean "
        "over runs does not lose it.",
        smallest=0,
    )


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
        "% of fresh level per 10 km", 3, "Part of raw_pct_per_10km that the response to speed passes on."
    )
    slope_part_pct = _measure(
        "% of fresh level per 10 km",
        3,
        "Part of it that the response to slope passes on; in logarithms the two parts and the drift add up to raw.",
    )
    entanglement = _measure(
        "share",
        3,
        "Share of the distance inside runs that speed and slope explain; near 1 their effects cannot be told apart.",
        smallest=0,
        largest=1,
    )
    smallest_change_pct = _measure(
        "% of fresh level per 10 km", 2, "Smallest change of interest, from the settings.", smallest=0
    )
    onset_km = _measure(
        "km",
        2,
        "Where the change begins: given for rises and falls, where a broken line beats a straight one and becomes "
        "steeper.",
        smallest=0,
    )
    onset_low = _measure("km", 2, "Lower end of its 95 % interval; whole runs are its unit.", smallest=0)
    onset_high = _measure("km", 2, "Upper end of that interval.", smallest=0)
    drift_before_onset_pct = _measure(
        "% of fresh level per 10 km", 3, "Change with distance up to onset_km, at equal speed and slope."
    )
    drift_after_onset_pct = _measure(
        "% of fresh level per 10 km", 3, "Change with distance beyond onset_km, at equal speed and slope."
    )
    detectable_pct = _measure(
        "% per 10 km", 3, "Smallest drift that runs like these show in four of five such seasons.", smallest=0
    )
    repeatability = _measure(
        "intraclass correlation",
        3,
        "How alike single runs' drifts are in this athlete, beside how athletes differ; null with fewer than three "
        "athletes or runs.",
        smallest=-1,
        largest=1,
    )
    repeatability_low = _measure("intraclass correlation", 3, "Lower end of its 95 % interval.", smallest=-1, largest=1)
    repeatability_high = _measure("intraclass correlation", 3, "Upper end of that interval.", smallest=-1, largest=1)
    finding = _words(
        "The conclusion. holds: the interval lies inside the smallest change of interest; rises, falls: it does not, "
        "and q_value is at most 0.05.",
        *FINDINGS,
    )
    why = _words(
        "Why the finding is no more than it is, or how not to read it; null where nothing needs saying.", nullable=True
    )


class Responses(dy.Schema):
    """An athlete, a metric and a cause: how the metric responds to it, from this athlete's runs alone."""

    athlete_id = _identifier("The athlete.", key=True)
    metric = _words("Name of the metric's column in splits.", key=True)
    cause = _words("What varies inside runs.", "speed", "speed_squared", "slope", "slope_squared", key=True)
    response = _measure(
        "change of log(metric) per unit of cause",
        6,
        "Units of the causes: log(speed / reference_speed_m_s) and its square, slope [%] and slope squared [%²].",
        nullable=False,
    )
    standard_error = _measure("as response", 6, "From leaving out one run at a time.", nullable=False, smallest=0)


class SeasonTrend(dy.Schema):
    """An athlete, a metric and a month."""

    athlete_id = _identifier("The athlete.", key=True)
    metric = _words("Name of the metric's column in splits.", key=True)
    month = _words("Calendar month in UTC, YYYY-MM.", key=True)
    drift_pct_per_10km = _measure(
        "% per 10 km",
        3,
        "Mean of the runs' own drifts, weighted by their precision, their scatter beyond their own errors included.",
        nullable=False,
    )
    drift_low = _measure(
        "% per 10 km",
        3,
        "Lower end of its 95 % interval (Student's t), from how runs scatter within the athlete's months, or over the "
        "whole season where months have too few runs; null where one run is all there is.",
    )
    drift_high = _measure("% per 10 km", 3, "Upper end of that interval.")
    n_runs = _count("Runs of that month that entered.", smallest=1)


class SeasonSlope(dy.Schema):
    """An athlete and a metric: whether the drift itself changes over the months."""

    athlete_id = _identifier("The athlete.", key=True)
    metric = _words("Name of the metric's column in splits.", key=True)
    n_runs = _count("Runs that entered: those whose drift has an error of its own.", smallest=1)
    first_month = _words("Month of the first of these runs in UTC, YYYY-MM.")
    last_month = _words("Month of the last of these runs in UTC, YYYY-MM.")
    change_pct_per_10km_per_month = _measure(
        "% per 10 km per month",
        3,
        "Slope of a line through the runs' drifts over their dates, a month being 30.44 days (random-effects "
        "meta-regression); null where the runs span fewer than 60 days or are fewer than 6.",
    )
    change_low = _measure(
        "% per 10 km per month", 3, "Lower end of its 95 % interval (Knapp and Hartung 2003; n_runs - 2)."
    )
    change_high = _measure("% per 10 km per month", 3, "Upper end of that interval.")
    p_value = _measure(
        "probability",
        6,
        "Of a change at least this far from zero if there were none; not corrected for the number of rows.",
        smallest=0,
        largest=1,
    )
    first_drift_pct_per_10km = _measure(
        "% per 10 km", 3, "Drift by that line at the first run: where the last one is nearer to zero, drift shrank."
    )
    last_drift_pct_per_10km = _measure("% per 10 km", 3, "Drift by that line at the last run.")
    between_runs_sd_pct_per_10km = _measure(
        "% per 10 km",
        3,
        "Standard deviation of the runs' true drifts about that line, beyond their own errors.",
        smallest=0,
    )


class Pacing(dy.Schema):
    """An athlete: how speed itself changes along runs, what that change is made of, and how walking changes.

    Nothing is adjusted: hills, plans and fatigue are all in it.
    """

    athlete_id = _identifier("The athlete.", key=True)
    n_runs = _count("Runs that entered for speed: those with cadence, where enough have it.")
    n_splits = _count("Splits of these runs that entered, as for drift: whole, run, past the warm-up.")
    speed_pct_per_10km = _measure(
        "% per 10 km", 3, "Change of speed along runs, pooled over runs; null where too few entered."
    )
    speed_low = _measure(
        "% per 10 km", 3, "Lower end of its 95 % interval: whole runs left out one at a time, t with n_runs - 1."
    )
    speed_high = _measure("% per 10 km", 3, "Upper end of that interval.")
    cadence_part_pct = _measure(
        "% per 10 km", 3, "Change of cadence along the same splits with the same weights; null where too few have it."
    )
    cadence_part_low = _measure("% per 10 km", 3, "Lower end of its 95 % interval, found likewise.")
    cadence_part_high = _measure("% per 10 km", 3, "Upper end of that interval.")
    step_length_part_pct = _measure(
        "% per 10 km",
        3,
        "Change of step length likewise; in logarithms the two parts add up to the change of speed exactly.",
    )
    step_length_part_low = _measure("% per 10 km", 3, "Lower end of its 95 % interval, found likewise.")
    step_length_part_high = _measure("% per 10 km", 3, "Upper end of that interval.")
    n_walked_splits = _count(
        "Whole splits past the warm-up that did not enter for speed because they were partly walked."
    )
    walk_points_per_10km = _measure(
        "percentage points per 10 km",
        3,
        "Change of the share of moving time walked, over whole splits past the warm-up, partly walked ones included.",
    )
    walk_low = _measure(
        "percentage points per 10 km",
        3,
        "Lower end of its 95 % interval, whole runs left out one at a time; null where nothing was walked.",
    )
    walk_high = _measure("percentage points per 10 km", 3, "Upper end of that interval.")


class Contrasts(dy.Schema):
    """An athlete, a metric and a surface or shoe, against the one that most of the athlete's runs had.

    Intervals are not corrected for the number of rows.
    """

    athlete_id = _identifier("The athlete.", key=True)
    metric = _words("Name of the metric's column in splits.", key=True)
    factor = _words("What sessions.csv says of the runs.", "surface", "shoe", key=True)
    compared = _words(
        "Surface or shoe_id of the runs that are compared; only those with at least three runs.", key=True
    )
    reference = _words("Surface or shoe_id with most runs, the first in the alphabet of several with as many.")
    n_runs = _count("Runs with the compared one that entered for the metric.", smallest=3)
    n_runs_reference = _count("Runs with the reference.", smallest=3)
    difference_pct = _measure(
        "%", 3, "Mean level of the compared runs over that of the reference runs, at equal speed, slope and distance."
    )
    low = _measure(
        "%",
        3,
        "Lower end of its 95 % interval: Welch's over runs, widened by the uncertainty of the responses and the drift.",
    )
    high = _measure("%", 3, "Upper end of that interval.")
    drift_difference_pct_per_10km = _measure(
        "% per 10 km", 3, "Drift of the compared runs less that of the reference runs (random-effects meta-regression)."
    )
    drift_difference_low = _measure("% per 10 km", 3, "Lower end of its 95 % interval (Knapp and Hartung 2003).")
    drift_difference_high = _measure("% per 10 km", 3, "Upper end of that interval.")
    note = _words("How not to read it.")


class Complaints(dy.Schema):
    """A line of complaints.csv, as it was written. Shown by date beside the other tables, never interpreted."""

    athlete_id = _identifier("The athlete.", key=True)
    from_date = _words("First day, YYYY-MM-DD.", key=True)
    line = _count("Line of complaints.csv it stands in.", key=True, smallest=2)
    to_date = _words("Last day, YYYY-MM-DD; null while it lasts.", nullable=True)
    site = _words("Where it is felt, in the writer's words.", nullable=True)
    note = _words("Whatever else the writer noted.", nullable=True)


class StrikeCounts(dy.Schema):
    """A class of landing at a distance, among the runners of an event or among the dates of an athlete.

    From strikes.csv alone: nothing is inferred from a watch. All four classes have a row wherever anybody was seen.
    """

    scope = _words("Whose landings are counted.", "event", "athlete", key=True)
    subject = _identifier("The event's date or the athlete: whichever of the next two is not null.", key=True)
    event = _words("Date of the event, YYYY-MM-DD; null for an athlete, counted over all dates.", nullable=True)
    athlete_id = _identifier("The athlete; null for an event.", nullable=True)
    distance_km = _measure(
        "km", 3, "Where on the course, as strikes.csv gives it.", key=True, nullable=False, smallest=0
    )
    strike = _words("Part of the foot that lands first; asymmetric where left and right differ.", *STRIKES, key=True)
    n = _count("Landings of this class: runners of an event, dates of an athlete.")
    n_seen = _count("Landings of all classes there.", smallest=1)
    n_one_foot = _count("Of n, those seen on one foot only, who could not be found asymmetric.")
    share = _measure("share of n_seen", 4, "n over n_seen.", nullable=False, smallest=0, largest=1)
    low = _measure(
        "share of n_seen",
        4,
        "Lower end of the 95 % interval of share (Wilson 1927), as if those seen were drawn at random.",
        nullable=False,
        smallest=0,
        largest=1,
    )
    high = _measure("share of n_seen", 4, "Upper end of that interval.", nullable=False, smallest=0, largest=1)
    mean_angle_deg = _measure(
        "degrees",
        2,
        "Mean foot-strike angle of those of this class who have one, heel down first positive. Shown beside the class: "
        "neither is inferred from the other where both were given.",
    )
    n_angles = _count("How many of this class have an angle.")
    mean_angle_of_all_deg = _measure(
        "degrees",
        2,
        "The same over all classes there: it can fall along a course where the share of rearfoot landings rises.",
    )


class StrikeShift(dy.Schema):
    """Two distances of an event: how the runners seen at both landed early and late, and a test for change.

    Pairs of distances are not independent, and p_value is not corrected for their number.
    """

    event = _words("Date of the event, YYYY-MM-DD.", key=True)
    early_km = _measure("km", 3, "The shorter distance.", key=True, nullable=False, smallest=0)
    late_km = _measure("km", 3, "The longer distance.", key=True, nullable=False, smallest=0)
    compared = _words(
        "Which classes the test tells apart: all four, or rearfoot from the three others together.",
        *COMPARED,
        key=True,
    )
    n_pairs = _count("Runners seen at both distances; others do not enter.", smallest=1)
    n_rearfoot_to_rearfoot = _count("Runners of them with rearfoot early and late.")
    n_rearfoot_to_midfoot = _count("Rearfoot early, midfoot late.")
    n_rearfoot_to_forefoot = _count("Rearfoot early, forefoot late.")
    n_rearfoot_to_asymmetric = _count("Rearfoot early, asymmetric late.")
    n_midfoot_to_rearfoot = _count("Midfoot early, rearfoot late.")
    n_midfoot_to_midfoot = _count("Midfoot early and late.")
    n_midfoot_to_forefoot = _count("Midfoot early, forefoot late.")
    n_midfoot_to_asymmetric = _count("Midfoot early, asymmetric late.")
    n_forefoot_to_rearfoot = _count("Forefoot early, rearfoot late.")
    n_forefoot_to_midfoot = _count("Forefoot early, midfoot late.")
    n_forefoot_to_forefoot = _count("Forefoot early and late.")
    n_forefoot_to_asymmetric = _count("Forefoot early, asymmetric late.")
    n_asymmetric_to_rearfoot = _count("Asymmetric early, rearfoot late.")
    n_asymmetric_to_midfoot = _count("Asymmetric early, midfoot late.")
    n_asymmetric_to_forefoot = _count("Asymmetric early, forefoot late.")
    n_asymmetric_to_asymmetric = _count("Asymmetric early and late.")
    n_rearfoot_to_other = _count("Rearfoot early, one of the three others late.")
    n_other_to_rearfoot = _count("One of the three others early, rearfoot late.")
    n_other_to_other = _count("One of the three others early and late, not always the same.")
    statistic = _measure(
        "runners or chi-squared",
        6,
        "McNemar exact: the smaller of the numbers of runners who changed one way and the other. Bowker: sum over "
        "pairs of classes of (there - back)² / (there + back).",
        nullable=False,
        smallest=0,
    )
    degrees_of_freedom = _count(
        "Of Bowker's statistic: k(k-1)/2 for the k classes that occur early or late; null for the exact test.",
        nullable=True,
    )
    p_value = dy.Float64(
        min=0,
        max=1,
        nullable=False,
        description="Two-sided, of changes at least this one-sided if either way were as likely; 1 where nobody "
        "changed, which shows no change and does not show that there is none. Bowker's is approximate: rough where few "
        "changed. Not rounded.",
        metadata={"unit": "probability"},
    )
    method = _words("Exact where no more than two classes occur, else Bowker's.", *PAIRED_TESTS)


class Calibration(dy.Schema):
    """A test, a planted drift, a metric and a question: how often the answer was yes in the club's own remainders.

    Made by `splitdrift calibrate`; empty until then and after every refresh.
    """

    test = _words(
        "What was done to what the model leaves unexplained. reversed: whole runs turned round at random; shuffled: "
        "blocks of three kilometres put into a random order inside runs; planted: reversed, and a drift added.",
        *CALIBRATION_TESTS,
        key=True,
    )
    planted_pct_per_10km = _measure(
        "% per 10 km", 1, "Drift that was added; 0 for a placebo.", key=True, nullable=False
    )
    metric = _words("Name of the metric's column in splits; all for every metric together.", key=True)
    question = _words(
        "What was asked of each athlete, metric and draw. called: finding rises or falls, the right way where a drift "
        "was planted; called_wrong_way: the other way; holds: finding holds, which is right for drifts inside the "
        "smallest change of interest; excludes_zero: the 95 % interval has no 0 in it; covers: it has the planted "
        "value in it.",
        *CALIBRATION_QUESTIONS,
        key=True,
    )
    n_yes = _count("How often the answer was yes.")
    n = _count("How often it was asked: athletes with an estimate, times draws, times metrics for all.", smallest=1)
    share = _measure("share of n", 4, "n_yes over n.", nullable=False, smallest=0, largest=1)
    low = _measure(
        "share of n",
        4,
        "Lower end of the 95 % interval of share (Wilson 1927), as if draws were independent; they share the same "
        "remainders, so that few athletes tell less than it says.",
        nullable=False,
        smallest=0,
        largest=1,
    )
    high = _measure("share of n", 4, "Upper end of that interval.", nullable=False, smallest=0, largest=1)
    n_athletes = _count("Athletes behind it.", smallest=1)
    n_runs = _count("Their runs that entered.", smallest=1)


TABLES: Mapping[str, type[dy.Schema]] = {
    "recordings": Recordings,
    "runs": Runs,
    "samples": Samples,
    "set_aside": SetAside,
    "splits": Splits,
    "responses": Responses,
    "run_drift": RunDrift,
    "athlete_drift": AthleteDrift,
    "pacing": Pacing,
    "contrasts": Contrasts,
    "season_trend": SeasonTrend,
    "season_slope": SeasonSlope,
    "complaints": Complaints,
    "strike_counts": StrikeCounts,
    "strike_shift": StrikeShift,
    "calibration": Calibration,
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

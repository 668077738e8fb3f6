"""What was recorded: the ledger, the runs, their samples and splits."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from pipeline.core import reasons as in_words
from pipeline.core.quality_rules import FAULTS, QUANTITIES, SUSPICIONS, TREATMENTS, left_out
from pipeline.core.speed_sources import SPEED_SOURCES
from pipeline.formats.readers import READERS
from pipeline.tables.columns import count, dy, flag, identifier, instant, like, measure, share, words

STATUSES = ("accepted", "salvaged", "duplicate", "not_running", "left_out", "rejected")
CORRECTION_STATUSES = (APPLIED, ONLY_DUPLICATES, GUARD_NOT_MET, MATCHES_NOTHING, FAULTY) = (
    "applied",
    "only_duplicates",
    "guard_not_met",
    "matches_nothing",
    "faulty",
)
GAITS = ("run", "walk", "stand")


# One column per statement, its text on lines of its own: read as a table, not as calls.
# fmt: off


class Recordings(dy.Schema):
    """The ledger: an inbox file, or a session inside one, and what became of it."""

    path = identifier("The file, relative to the inbox; a file inside an archive follows after '!'.", key=True)
    session = count("Place of the session inside the file, 1 the first.", key=True, smallest=1)
    file = identifier("The file of the inbox; for a file inside an archive the archive.")
    sha256 = identifier("Digest of the file's bytes (of the unpacked member inside an archive).")
    athlete_id = identifier(
        "Folder of the inbox that holds the file; null for a file in no athlete's folder.", nullable=True)
    run_id = identifier("The run it became, or for a duplicate the run that was kept.", nullable=True)
    format = words("Format it was read as; null if no reader was chosen.", among=READERS, nullable=True)
    status = words(
        "What became of it; salvaged means a damaged file of which a part was kept, left_out one that corrections.toml "
        "leaves out.", *STATUSES)
    reason = words("Why, in words for the person who owns the file.")
    fix = words("What that person can do about it; null where nothing needs doing or can be done.", nullable=True)
    reasons = words(
        "Both as data: a list in JSON of kinds, each with what its sentences name; the pages are written from it.")
    n_samples = count("Rows with a time that could be read; 0 for sessions of which no rows were read.")
    sport = words("As the file names it, or as corrections.toml says; null where it does not.", nullable=True)
    started_at_utc = instant(
        "Time of its first reading, of other sports too; null where it has no clock.", nullable=True)
    ended_at_utc = instant("Time of its last reading.", nullable=True)
    distance_km = measure("km", 3, "As recorded, before it is judged; null where nothing tells it.", smallest=0)
    corrections = words(
        "Entries of corrections.toml that were applied to it, as `corrections.name` names them, separated by '; '.",
        nullable=True)
    guards_not_met = words("The same for entries whose guard held them back.", nullable=True)
    same_as_run = identifier(
        "A run that it probably is a recording of, by a clock whole hours apart; it is not joined unless corrected.",
        nullable=True)
    joined_quantities = words(
        "Of a duplicate: what it measured and the run that was kept did not, and was joined to that run.",
        nullable=True)
    clock_shift_s = measure("s", 0,
        "Of such a duplicate: what was added to its clock; 0 where the recordings do not settle it.")
    clock_agreement = measure("correlation", 3,
        "Correlation of the two recordings at that shift, of cadence, speed or heart rate; null without any of these "
        "in both.",
        smallest=-1, largest=1)


def retold(recordings: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """Rows of `Recordings`, some with other reasons, as data and in words.

    Args:
        told: `path`, `session` and `reasons` of these; null where they stay as they are.
    """
    said = [in_words.words(reasons or ()) for reasons in told["reasons"]]
    found, fixes = ([part[which] or None for part in said] for which in (0, 1))
    told = told.select(
        "path", "session", "reasons", reason=pl.Series(found, dtype=pl.String), fix=pl.Series(fixes, dtype=pl.String)
    )
    joined = recordings.join(told, on=["path", "session"], how="left", maintain_order="left", suffix="_told")
    is_told = pl.col("reasons_told").is_not_null()
    changed = (pl.when(is_told).then(f"{part}_told").otherwise(part).alias(part) for part in told.columns[2:])
    return joined.with_columns(changed).select(recordings.columns)


class Corrections(dy.Schema):
    """An entry of a corrections.toml, and what became of it."""

    file = identifier("The corrections.toml, relative to the inbox.", key=True)
    entry = count("Number of the entry in it, 1 the first.", key=True, smallest=1)
    line = count("Line on which it begins.", smallest=1)
    says = words("What it changes; null where it has a fault.", nullable=True)
    status = words(
        "Whether it was applied; applied only to duplicates of which no run has anything; held back wherever it "
        "matched, by its guards or since what it changes was not recorded; of no recording; or not understood.",
        *CORRECTION_STATUSES)
    n_applied = count(
        "Recordings that it was applied to, without `n_duplicates`.")
    n_duplicates = count(
        "Duplicates that it was applied to without effect, since nothing was joined from them; none of an entry that "
        "sets the clock, which decides of which run a recording is.")
    n_guard_not_met = count("Recordings that it names and was held back from.")
    reason = words("Its fault and the fix; null where it has none.", nullable=True)
    name = identifier("How `recordings` names it: it follows from what the entry says, not from its place.")


class Runs(dy.Schema):
    """An accepted run."""

    run_id = identifier("Athlete and start of the run.", key=True)
    athlete_id = identifier("Folder of the inbox that held the file.")
    started_at_utc = instant("Time of the first sample.")
    local_date = words(
        "Date where the run began, YYYY-MM-DD, in the time_zone of the settings; null where they name none.",
        nullable=True)
    distance_km = measure("km", 3, "Distance covered while the clock ran.", nullable=False, smallest=0)
    moving_s = measure("s", 1,
        "Time spent running or walking: pauses and standing left out.", nullable=False, smallest=0)
    climb_m = measure("m", 0, "Metres climbed, over the splits whose slope is known.", smallest=0)
    paused_s = measure("s", 1,
        "Time in pauses, by the device's timer or by gaps without progress.", nullable=False, smallest=0)
    kind = words("Kind of session from sessions.csv (race, training, test); null if not listed.", nullable=True)
    surface = words("Surface from sessions.csv; null if not listed.", nullable=True)
    shoe_id = identifier("Shoe from sessions.csv; null if not listed.", nullable=True)
    session_line = count("Line of sessions.csv that describes it; null if not listed.", nullable=True, smallest=2)
    device = words("Manufacturer and model as the file names them; never a serial number.", nullable=True)
    sensors = words(
        "Where a quantity came from a self-described field, from one of two sensors, or from another recording of the "
        "run: which.", nullable=True)
    altitude = words("Which slope window its altitude needed.", "steady", "rough", "absent")
    speed_source = words(
        "Where distance and speed come from. "
        + "; ".join(f"{name}: {source.meaning}" for name, source in SPEED_SOURCES.items())
        + ".",
        among=SPEED_SOURCES)
    tags = words(
        "Words of one's own from corrections.toml, as name=value, separated by '; '; null without any.", nullable=True)
    after_ride = flag(
        "Whether a ride of the athlete ended within 30 minutes before it began, in another file or in the same one.",
        nullable=True)
    ride_km = measure("km", 3, "Distance of that ride as recorded; null without one.", smallest=0)
    ride_s = measure("s", 1, "Time from start to end of that ride; null without one.", smallest=0)


class Samples(dy.Schema):
    """A recorded instant of a run. Partitioned by athlete_id and month."""

    run_id = identifier("The run it belongs to.", key=True)
    elapsed_s = measure("s", 3,
        "Time since the first sample of the run, pauses included.", key=True, nullable=False, smallest=0)
    interval_s = measure("s", 3,
        "Time since the sample before, pauses left out: how long this sample stands for.", nullable=False, smallest=0)
    distance_m = measure("m", 3, "Distance covered so far; never decreases.", nullable=False, smallest=0)
    covered_m = measure("m", 3, "Distance covered in that interval.", nullable=False, smallest=0)
    speed_m_s = measure("m/s", 3, "Recorded speed, or from distance and time where absent or impossible.", smallest=0)
    altitude_m = measure("m", 1, "Recorded altitude.")
    slope_pct = measure("%", 2,
        "Rise over run of a line fitted to altitude over distance around here; uphill positive.")
    gait = words("By cadence first, with speed in support.", *GAITS)
    cadence_spm = measure("steps/min", 2, "Steps of both feet per minute; null when missing or impossible.", smallest=0)
    contact_time_ms = measure("ms", 1,
        "Time one foot is on the ground in one step; null when missing or impossible.", smallest=0)
    vertical_oscillation_mm = measure("mm", 1,
        "Rise and fall of the trunk in a step, as the sensor gives it.", smallest=0)
    contact_balance_pct = measure("% left", 2,
        "Share of the left foot in the contact time of a stride.", smallest=0, largest=100)
    heart_rate_bpm = measure("beats/min", 0, "Heart rate; null when missing or impossible.", smallest=0)
    power_w = measure("W", 0, "Power as the sensor estimates it; null when missing or impossible.", smallest=0)
    recorded_step_length_m = measure("m", 4,
        "Step length as the sensor gives it, from one foot to the other; null when missing or impossible.", smallest=0)
    temperature_c = measure("°C", 1, "Temperature at the device, on a wrist well above that of the air.")


class Exclusions(dy.Schema):
    """A run, a quantity and a reason for which samples of it were excluded or mended."""

    run_id = identifier("The run.", key=True)
    quantity = words("The column of samples concerned, or 'sample' for whole rows.", key=True)
    reason = words("Why its values were excluded, or how they were mended.", key=True)
    fault = words("What is wrong with them; the shares in `quality` are counted by it.", *FAULTS)
    n_samples = count("How many samples.", smallest=1)


def quantity_column(own: Iterable[str] = ()) -> dy.String:
    """The column `quantity` of `quality`, with metrics of one's own."""
    return words("A reading, or what else is judged of a run.", *QUANTITIES, *own, key=True)


class Quality(dy.Schema):
    """A run and a quantity: how much of it was measured, what was excluded or mended, and what it is suspected of.

    Shares are of the samples of the run; for the clock, of the rows of the file.
    """

    run_id = identifier("The run.", key=True)
    athlete_id = identifier("The athlete.")
    quantity = quantity_column()
    measured_share = share("share of samples", 4,
        "As recorded and kept; of speed also what follows from distance and time. Null for the sport. What is missing "
        "to 1 together with the shares below was never recorded.")
    stuck_share = share("share of samples", 4,
        "At one value for longer than the quantity stays constant, while others varied; excluded. Distance: without "
        "progress at a running cadence.", nullable=False)
    impossible_share = share("share of samples", 4, "Impossible for a person; excluded.", nullable=False)
    halved_share = share("share of samples", 4, "Half of what is run at that speed; excluded.", nullable=False)
    doubled_share = share("share of samples", 4, "Twice what is run at that speed; excluded.", nullable=False)
    copied_share = share("share of samples", 4,
        "The same as the other of cadence and heart rate; excluded.", nullable=False)
    interpolated_share = share("share of samples", 4,
        "Put between its neighbours: a missing distance, a position astray.", nullable=False)
    corrected_share = share("share of samples", 4,
        "Mended otherwise: distance by speed or spread over a stretch, speed by distance, the clock.", nullable=False)
    suspicion = words("What the quantity is suspected of; null where nothing.", *SUSPICIONS, nullable=True)
    treatment = words("What was done about that.", *TREATMENTS, nullable=True)
    from_km = measure("km", 2, "Where a sudden step is, or a stretch begins that is too fast; else null.", smallest=0)
    to_km = measure("km", 2, "Where that stretch ends; where it is half of the run, the end of the run.", smallest=0)
    fix = words("What a person can do about the suspicion; null without one.", nullable=True)


class Splits(dy.Schema):
    """A kilometre of a run (or another split length, by the settings). Partitioned by athlete_id and month."""

    run_id = identifier("The run.", key=True)
    athlete_id = identifier("The athlete.")
    km = count(
        "Number of the split along the run, 1 the first. Its boundaries are interpolated between samples.",
        key=True, smallest=1)
    length_m = measure("m", 2, "Distance covered in it; short for the last one.", nullable=False, smallest=0)
    moving_s = measure("s", 2, "Time spent running or walking in it.", nullable=False, smallest=0)
    running_s = measure("s", 2, "Time spent running in it.", nullable=False, smallest=0)
    run_share = share("share of moving time", 4, "running_s over moving_s; null without moving time.")
    speed_m_s = measure("m/s", 4, "Distance run over time run; walking, standing and pauses left out.", smallest=0)
    log_speed_variance = measure(
        "log(m/s)²",
        6,
        "Time-weighted variance of the logarithm of speed between tenths of it, where run: how mixed the pace was.",
        smallest=0,
    )
    lagged_speed_m_s = measure(
        "m/s",
        4,
        "Time-weighted mean, where run, of the speed as heart rate follows it: smoothed exponentially over 57.6 s, "
        "starting again after walking, standing and pauses.",
        smallest=0,
    )
    slope_pct = measure("%", 3, "Mean slope over the distance of it; uphill positive.")
    slope_squared_pct2 = measure("%²", 3,
        "Mean of the squared slope over the distance of it: hills up and down do not cancel.", smallest=0)
    climb_m = measure("m", 2, "Metres climbed in it: uphill slope times distance, downhill left out.", smallest=0)
    altitude = words("Kind of the altitude of the run, as in `runs`: slopes from rough altitude are less certain.",
        "steady", "rough", "absent", nullable=True)
    speed_source = words("Where the speed of the run comes from, as in `runs`: sources differ in how wrong they are.",
        among=SPEED_SOURCES, nullable=True)
    cadence_spm = measure("steps/min", 3, "Time-weighted mean over running samples; steps of both feet.", smallest=0)
    contact_time_ms = measure("ms", 3, "Time-weighted mean over running samples that have it.", smallest=0)
    cadence_sd_spm = measure("steps/min", 3,
        "Time-weighted standard deviation of cadence between running samples, as the device shows it.",
        smallest=0)
    contact_time_sd_ms = measure("ms", 3,
        "Time-weighted standard deviation of contact time between running samples that have it; devices smooth it.",
        smallest=0)
    flight_time_ms = measure("ms", 3,
        "Step time (60000 / cadence_spm) minus contact_time_ms; negative when both feet overlap on the ground.")
    duty_factor = measure("contact / stride", 5,
        "contact_time_ms over stride time (two steps); below 0.5 there is a flight.", smallest=0)
    step_length_m = measure("m", 4, "60 × speed_m_s / cadence_spm.", smallest=0)
    vertical_oscillation_mm = measure("mm", 2, "Time-weighted mean over running samples that have it.", smallest=0)
    leg_stiffness_kn_m = measure("kN/m", 3,
        "Of the leg as a spring, from contact_time_ms, flight_time_ms, speed_m_s, mass and leg length (Morin 2005). "
        "Null off the level, where walked, without a flight, or with one of them unknown. Never to be compared across "
        "devices: 5 ms of contact time are 4 % of it.", smallest=0)
    vertical_stiffness_kn_m = measure("kN/m", 3,
        "Of the body's vertical movement as a spring, from contact_time_ms, flight_time_ms and mass (Morin 2005); null "
        "as leg_stiffness_kn_m is. Never to be compared across devices.", smallest=0)
    peak_force_n = measure("N", 1,
        "Largest vertical force on the foot if the force is half a sine wave over the contact (Morin 2005); null as "
        "leg_stiffness_kn_m is. Never to be compared across devices.", smallest=0)
    leg_length_from = words(
        "Leg length behind leg_stiffness_kn_m: of the roster, or 0.53 of the roster's height (Winter 1979); null "
        "without leg_stiffness_kn_m.", "measured", "height", nullable=True)
    contact_balance_pct = measure("% left", 3,
        "Time-weighted mean over running samples that have it.", smallest=0, largest=100)
    heart_rate_bpm = measure("beats/min", 2, "Time-weighted mean over running samples that have it.", smallest=0)
    power_w = measure("W", 1, "Time-weighted mean over running samples that have it.", smallest=0)
    recorded_step_length_m = measure("m", 4,
        "Time-weighted mean over running samples that have it, as the sensor gives it; step_length_m follows from "
        "speed and cadence.", smallest=0)
    temperature_c = measure("°C", 1,
        "Time-weighted mean over running samples that have it, at the device: on a wrist well above that of the air.")
    n_valid = count("Running samples in it (a sample across a boundary counts in both).")
    cadence_share = share("share of running time", 4, "With cadence_spm.")
    contact_time_share = share("share of running time", 4, "With contact_time_ms.")
    vertical_oscillation_share = share("share of running time", 4, "With vertical_oscillation_mm.")
    contact_balance_share = share("share of running time", 4, "With contact_balance_pct.")
    heart_rate_share = share("share of running time", 4, "With heart_rate_bpm.")
    power_share = share("share of running time", 4, "With power_w.")
    recorded_step_length_share = share("share of running time", 4, "With recorded_step_length_m.")
    temperature_share = share("share of running time", 4, "With temperature_c.")
    suspicion = words(
        "Why it does not enter the regressions: it touches a stretch that is suspect, by `quality`; null for others.",
        *left_out(), nullable=True)


#: The same of a lap.
LapSplits = like(
    Splits,
    "LapSplits",
    meaning="A lap of a run, as its device or the person who wore it set it. Partitioned by athlete_id and month.",
    km=("lap", count(
        "Number of the lap along the run, 1 the first. Its boundaries are times, interpolated between samples.",
        key=True, smallest=1)),
)

"""The rules of quality: what makes the readings of a run suspect, from which value on, and by which source.

`RULES` has one row per threshold, and `SUSPICIONS` one per conclusion, with what a person is told and what to do.
Readings that break a rule are excluded or marked, never altered; only distance, which every later number rests on, is
mended, and what was mended is counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.core.metrics import READING_OF

#: What is wrong with samples that were excluded or mended, the column `fault` of the table `exclusions`.
FAULTS = (
    NO_READING, IMPOSSIBLE, STUCK, HALVED, DOUBLED, COPIED, INTERPOLATED, ASTRAY, CORRECTED, SPREAD, FROZEN, MOVED_ON,
    MERGED,
) = (
    "no_reading", "impossible", "stuck", "halved", "doubled", "copied", "interpolated", "astray", "corrected", "spread",
    "frozen", "moved_on", "merged",
)  # fmt: skip
#: Why samples were excluded, or how they were mended, by kind: the column `reason` of the table `exclusions`.
EXCLUSION_REASONS: Mapping[str, str] = {
    "no_time": "no time",
    "far_date": "a date days away from the rest",
    "same_instant": "merged with another of the same instant",
    "set_back": "set back by an hour, moved on",
    "speed_disagrees": "disagrees with distance over time",
    "spike": "a spike",
    "not_on_earth": "not on the surface of the Earth",
    "zero": "zero: the sensor had no reading",
    "impossible": "impossible for a person",
    "implausible": "outside of the range that settings.toml gives",
    "no_temperature": "no temperature that is run in",
    "one_for_a_hole": "one reading for a long hole",
    "zero_while_moving": "zero while moving",
    "of_a_walk": "a walk's at a speed that is only run",
    "too_long": "longer than a running step allows",
    "halved": "half of what is run at that speed: one foot counted",
    "doubled": "twice what is run at that speed: both feet counted twice",
    "stuck": "stuck at one value while other readings vary",
    "copied": "the same as the other of cadence and heart rate",
    "between": "missing between two that are known",
    "counter_set_back": "counter set back during the run",
    "stepped_back": "stepped back",
    "leapt": "leapt faster than a person can run",
    "spread": "frozen, then a leap: the leap is spread over the stretch",
    "by_speed": "frozen while the speed went on: covered at that speed",
    "frozen": "frozen while the feet ran on",
    "astray": "a position astray, left out",
}
#: The share of the table `quality` that each is counted in; the others are in none.
SHARE_OF: Mapping[str, str] = {
    STUCK: "stuck_share", FROZEN: "stuck_share", IMPOSSIBLE: "impossible_share", HALVED: "halved_share",
    DOUBLED: "doubled_share", COPIED: "copied_share", INTERPOLATED: "interpolated_share", ASTRAY: "interpolated_share",
    CORRECTED: "corrected_share", SPREAD: "corrected_share", MOVED_ON: "corrected_share",
}  # fmt: skip
#: After these the value is missing; after the others with a share it was mended.
EXCLUDING_SHARES = ("stuck_share", "impossible_share", "halved_share", "doubled_share", "copied_share")

#: What is judged of a run besides its readings.
CLOCK, SPORT, DISTANCE, SPEED, ALTITUDE = "clock", "sport", "distance_m", "speed_m_s", "altitude_m"
CADENCE, HEART_RATE = "cadence_spm", "heart_rate_bpm"

#: How `exclusions` names whole rows, which the clock is judged by.
WHOLE_ROWS = "sample"
#: The readings of sensors that are judged, and with the above all that `quality` has a row for.
READINGS = tuple(READING_OF)
QUANTITIES = (CLOCK, SPORT, DISTANCE, SPEED, ALTITUDE, *READINGS)
#: What is done about a suspicion.
TREATMENTS = (EXCLUDED, MENDED, KEPT) = ("excluded", "mended", "kept")

_NO_SOURCE = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Rule:
    """A threshold.

    Attributes:
        suspicion: the conclusion, of `SUSPICIONS`.
        quantity: what is judged.
        threshold: from which value on.
        unit: of the threshold, and what it is compared with.
        source: where the threshold comes from.
    """

    suspicion: str
    quantity: str
    threshold: float
    unit: str
    source: str = _NO_SOURCE


@dataclass(frozen=True, kw_only=True)
class Stuck(Rule):
    """How long a quantity may stay constant to the digit while the athlete moves and something else varies.

    Attributes:
        coarse_from: a resolution from this on is coarse [unit of the quantity].
        coarse_threshold: the threshold at a coarse resolution [s].
    """

    suspicion: str = "stuck"
    unit: str = "s of moving time at one value"
    coarse_from: float
    coarse_threshold: float


_LONGEST_SEEN = "a multiple of the longest seen in {} recordings of devices, {} s; the multiple: " + _NO_SOURCE

#: Share of samples from which on impossible values make a reading suspect, also of metrics of one's own.
OFTEN_IMPOSSIBLE = 0.2
#: Every threshold of quality.
RULES: tuple[Rule, ...] = (
    Stuck(quantity="contact_time_ms", threshold=90, coarse_from=5, coarse_threshold=300,
          source=_LONGEST_SEEN.format(9, 22)),
    Stuck(quantity="vertical_oscillation_mm", threshold=90, coarse_from=5, coarse_threshold=300,
          source=_LONGEST_SEEN.format(9, 28)),
    Stuck(quantity="contact_balance_pct", threshold=90, coarse_from=0.5, coarse_threshold=600,
          source=_LONGEST_SEEN.format(6, 29)),
    Stuck(quantity="power_w", threshold=120, coarse_from=5, coarse_threshold=600),
    Stuck(quantity="recorded_step_length_m", threshold=120, coarse_from=0.05, coarse_threshold=600),
    # Whole strides (2 steps/min) stay the same for minutes.
    Stuck(quantity=CADENCE, threshold=300, coarse_from=2, coarse_threshold=600, source=_LONGEST_SEEN.format(13, 59)),
    Stuck(quantity=HEART_RATE, threshold=600, coarse_from=2, coarse_threshold=1200,
          source=_LONGEST_SEEN.format(14, 120)),
    Rule(suspicion="one_foot_counted", quantity=CADENCE, threshold=110,
         unit="steps/min, median above 2 m/s: below it a step would be longer than 1.09 m, longer than of any walk"),
    Rule(suspicion="counted_twice", quantity=CADENCE, threshold=260,
         unit="steps/min, median above 2 m/s: above it half the value is a usual running cadence"),
    Rule(suspicion="copied", quantity=HEART_RATE, threshold=180,
         unit="s within 1 of cadence, while cadence varies by 4 steps/min or more"),
    Rule(suspicion="copied", quantity=CADENCE, threshold=0.95,
         unit="share of samples that are heart rate to the digit: which of the two was recorded is then unknown"),
    Rule(suspicion="sudden_step", quantity="contact_time_ms", threshold=6, unit="% between two minutes, lasting"),
    Rule(suspicion="sudden_step", quantity="vertical_oscillation_mm", threshold=10,
         unit="% between two minutes, lasting"),
    Rule(suspicion="sudden_step", quantity="contact_balance_pct", threshold=4, unit="% between two minutes, lasting"),
    Rule(suspicion="sudden_step", quantity=CADENCE, threshold=5, unit="% between two minutes, lasting"),
    *(Rule(suspicion="often_impossible", quantity=quantity, threshold=OFTEN_IMPOSSIBLE, unit="share of samples")
      for quantity in READINGS),
    Rule(suspicion="frozen_and_mended", quantity=DISTANCE, threshold=10,
         unit="s without progress, then more than twice the usual speed, together 0.5 to 1.5 times the usual speed"),
    Rule(suspicion="frozen", quantity=DISTANCE, threshold=60, unit="s without progress at a running cadence"),
    Rule(suspicion="positions_astray", quantity=DISTANCE, threshold=2.5,
         unit="times the usual speed (6 m/s at least) to get there from the last sound position"),
    Rule(suspicion="faster_than_records", quantity=SPEED, threshold=1,
         unit="times the speed of the record over a kilometre or more",
         source="men's world records, World Athletics, as of 2025, from memory"),
    Rule(suspicion="hardly_run", quantity=SPORT, threshold=0.1, unit="share of moving time that was run"),
    Rule(suspicion="clock_set_back", quantity=CLOCK, threshold=60,
         unit="s at most between the two rows of the file with an hour's step back, beside that hour"),
    Rule(suspicion="times_missing", quantity=CLOCK, threshold=0.05, unit="share of rows without a usable time"),
)  # fmt: skip


def rule(suspicion: str, quantity: str) -> Rule:
    """The row of `RULES` for a conclusion about a quantity."""
    (only,) = (row for row in RULES if (row.suspicion, row.quantity) == (suspicion, quantity))
    return only


#: How long a quantity may stay at one value.
STUCK_RULES: Mapping[str, Stuck] = {row.quantity: row for row in RULES if isinstance(row, Stuck)}

#: Fastest times over distances [m, s]: men's world records, World Athletics, as of 2025, from memory (1,000 m 2:11.96,
#: 3,000 m 7:17.55, 5,000 m 12:35.36, 10,000 m 26:11.00, half marathon 56:42, marathon 2:00:35, 100 km 6:05:35).
RECORDS = (
    (1000.0, 131.96), (3000.0, 437.55), (5000.0, 755.36), (10_000.0, 1571.0), (21_097.5, 3402.0),
    (42_195.0, 7235.0), (100_000.0, 21_935.0),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Suspicion:
    """A conclusion about a quantity of a run.

    Attributes:
        words: what a person is told, after the name of the quantity.
        fix: what that person can do.
        treatment: what was done with the samples: `excluded`, `mended`, or `kept` and only marked.
        fault: of the samples concerned; None where they are only marked.
        is_left_out: whether the splits concerned do not enter the regressions.
    """

    words: str
    fix: str
    treatment: str
    fault: str | None = None
    is_left_out: bool = False


#: In order of weight: of several about one quantity the first is given.
SUSPICIONS: Mapping[str, Suspicion] = {
    "one_foot_counted": Suspicion(
        words="looks like one foot counted", treatment=EXCLUDED, fault=HALVED,
        fix="put `cadence_factor = 2` for it into corrections.toml if so"),
    "counted_twice": Suspicion(
        words="looks like the steps of both feet counted twice", treatment=EXCLUDED, fault=DOUBLED,
        fix="put `cadence_factor = 0.5` for it into corrections.toml if so"),
    "stuck": Suspicion(
        words="stuck at one value", treatment=EXCLUDED, fault=STUCK,
        fix="check the sensor: its battery and its connection"),
    "copied": Suspicion(
        words="cadence and heart rate show the same values", treatment=EXCLUDED, fault=COPIED,
        fix="wear the heart rate sensor tighter, or check which column of the file is which"),
    "often_impossible": Suspicion(
        words="impossible for a person", treatment=EXCLUDED, fault=IMPOSSIBLE,
        fix="check the unit and the sensor"),
    "sudden_step": Suspicion(
        words="shifts suddenly, without a change of speed", treatment=KEPT,
        fix="look whether the sensor slipped or was exchanged; leave the run out by corrections.toml if so"),
    "frozen_and_mended": Suspicion(
        words="stood still while the athlete ran, as in a tunnel", treatment=MENDED, fault=SPREAD,
        fix="nothing to do if the athlete ran on"),
    "positions_astray": Suspicion(
        words="positions astray", treatment=MENDED, fault=ASTRAY,
        fix="nothing to do; FIT has the device's own distance"),
    "frozen": Suspicion(
        words="stood still while the feet ran on", treatment=KEPT, fault=FROZEN,
        fix="leave the run out by corrections.toml, or export it again with distance"),
    "faster_than_records": Suspicion(
        words="faster over a kilometre or more than anyone has run, which is left out of the regressions",
        treatment=KEPT, is_left_out=True,
        fix="correct `sport` or `distance_factor` in corrections.toml"),
    "hardly_run": Suspicion(
        words="hardly any of it was run", treatment=KEPT,
        fix="correct `sport` in corrections.toml if it was a walk or a ride"),
    "clock_set_back": Suspicion(
        words="set back by an hour during the run, as at the end of summer time; the rest was moved on by an hour",
        treatment=MENDED, fault=MOVED_ON, fix="nothing to do; to be sure, export with times in UTC"),
    "times_missing": Suspicion(
        words="rows without a usable time", treatment=EXCLUDED,
        fix="export the activity again"),
}  # fmt: skip


def left_out() -> tuple[str, ...]:
    """The suspicions of stretches whose splits do not enter the regressions."""
    return tuple(name for name, suspicion in SUSPICIONS.items() if suspicion.is_left_out)


#: Samples that were excluded or mended, by quantity, reason and fault.
Tally = dict[tuple[str, str, str], int]


def count_samples(tally: Tally, quantity: str, kind: str, fault: str, n_samples: int) -> None:
    """Add so many samples to a tally, for a reason by its kind in `EXCLUSION_REASONS`; none adds no row."""
    if n_samples:
        key = (quantity, EXCLUSION_REASONS[kind], fault)
        tally[key] = tally.get(key, 0) + n_samples

"""The rules of quality: what makes the readings of a run suspect, from which value on, and by which source.

`RULES` has one row per threshold, and `SUSPICIONS` one per conclusion, with what a person is told and what to do; they
are in `quality_rules.toml`. Readings that break a rule are excluded or marked, never altered; only distance, which
every later number rests on, is mended, and what was mended is counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pipeline.core.metrics import READING_OF
from pipeline.core.toml import beside

#: What is wrong with samples that were excluded or mended, the column `fault` of the table `exclusions`.
FAULTS = (
    NO_READING, IMPOSSIBLE, STUCK, HALVED, DOUBLED, COPIED, INTERPOLATED, ASTRAY, CORRECTED, SPREAD, FROZEN, MOVED_ON,
    MERGED,
) = (
    "no_reading", "impossible", "stuck", "halved", "doubled", "copied", "interpolated", "astray", "corrected", "spread",
    "frozen", "moved_on", "merged",
)  # fmt: skip
_FILE = beside(__file__)
#: Why samples were excluded, or how they were mended, by kind: the column `reason` of the table `exclusions`.
EXCLUSION_REASONS: Mapping[str, str] = _FILE["reasons"]
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


def _rules() -> Iterator[Rule]:
    for row in _FILE["rules"]:
        for quantity in READINGS if row["quantity"] == "*" else (row["quantity"],):
            yield (Stuck if row["suspicion"] == "stuck" else Rule)(**row | {"quantity": quantity})


#: Every threshold of quality.
RULES: tuple[Rule, ...] = tuple(_rules())
#: Share of samples from which on impossible values make a reading suspect, also of metrics of one's own.
OFTEN_IMPOSSIBLE = next(row.threshold for row in RULES if row.suspicion == "often_impossible")


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
SUSPICIONS: Mapping[str, Suspicion] = {name: Suspicion(**told) for name, told in _FILE["suspicions"].items()}


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

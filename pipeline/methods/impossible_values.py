"""Values that no person has, or that no sensor measured: which are excluded, and why. Columns in, columns out.

No rule sees what another one excluded. Gait has rules of its own in the stage `samples`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import cache
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array, Mask
from pipeline.core.metrics import Registry
from pipeline.core.quality_rules import ALTITUDE, IMPOSSIBLE, NO_READING, SPEED, Tally, count_samples
from pipeline.methods.covered_distance import FASTEST_M_S

#: Columns by name, NaN where a value is missing. No frame: a run has too few rows for what a query costs at the least.
Columns = Mapping[str, npt.NDArray[Any]]

#: Shortest contact: sprinters at full speed reach about 80 ms (from memory); longest: a slow walk, about 1 s (same).
CONTACT_TIME_MS = (80.0, 1200.0)
#: Common practice, no source: the trunk does not rise by more than a hand's span; hearts of the living.
VERTICAL_OSCILLATION_MM = (1.0, 250.0)
CONTACT_BALANCE_PCT = (30.0, 70.0)
HEART_RATE_BPM = (25.0, 240.0)
#: Common practice, no source: sprinters on a bicycle reach some 2,500 W, no sensor of running gives more.
POWER_W = (1.0, 2500.0)
#: A shuffle; steps of sprinters reach 2.7 m (from memory).
STEP_LENGTH_M = (0.1, 3.0)
#: Common practice, no source: a device in the sun on a summer's day, and colder than any race.
TEMPERATURE_C = (-60.0, 70.0)
#: Lowest shore and highest mountain.
ALTITUDE_M = (-450.0, 9000.0)


@dataclass(frozen=True)
class Rule:
    """Values of a column that are excluded, and why: a kind of `EXCLUSION_REASONS`."""

    column: str
    kind: str
    broken: Callable[[Columns], Mask]
    fault: str = IMPOSSIBLE


def outside(column: str, limits: tuple[float, float]) -> Callable[[Columns], Mask]:
    """Outside its limits; a zero, which sensors write for "no reading", has a rule of its own."""

    def broken(rows: Columns) -> Mask:
        values: Array = rows[column]
        is_outside: Mask = (values != 0) & ((values < limits[0]) | (values > limits[1]))
        return is_outside

    return broken


def _zero(column: str) -> Callable[[Columns], Mask]:
    return lambda rows: rows[column] == 0


def _lost_of(column: str) -> Callable[[Columns], Mask]:
    return lambda rows: np.logical_and(rows["is_hole"], np.isfinite(rows[column]))


_NONE, NO_PERSON = "zero", "impossible"


def _plausible(column: str, limits: tuple[float, float], reason: str = NO_PERSON) -> tuple[Rule, Rule]:
    """Of a reading for which zero stands for none, and whose other values lie within limits."""
    return (
        Rule(column, _NONE, _zero(column), NO_READING),
        Rule(column, reason, outside(column, limits)),
    )


_OF_ALL = (
    Rule(SPEED, NO_PERSON, lambda rows: (rows["speed_m_s"] < 0) | (rows["speed_m_s"] > FASTEST_M_S)),
    Rule(ALTITUDE, "not_on_earth", outside(ALTITUDE, ALTITUDE_M)),
    *_plausible("contact_time_ms", CONTACT_TIME_MS),
    *_plausible("vertical_oscillation_mm", VERTICAL_OSCILLATION_MM),
    *_plausible("contact_balance_pct", CONTACT_BALANCE_PCT),
    *_plausible("heart_rate_bpm", HEART_RATE_BPM),
    *_plausible("power_w", POWER_W),
    *_plausible("recorded_step_length_m", STEP_LENGTH_M),
    Rule("temperature_c", "no_temperature", outside("temperature_c", TEMPERATURE_C)),
)


@cache
def lost(registry: Registry) -> tuple[Rule, ...]:
    """Of all readings: a value that stands for a long hole."""
    return tuple(Rule(column, "one_for_a_hole", _lost_of(column), NO_READING) for column in registry.reading_of)


@cache
def impossible(registry: Registry) -> tuple[Rule, ...]:
    """What can be told of a value by itself; of metrics of one's own, by what their owner calls plausible."""
    own = (_plausible(one.column, (one.lowest, one.highest), "implausible") for one in registry.own)
    return (*_OF_ALL, *chain.from_iterable(own))


def apply(rules: Sequence[Rule], rows: Columns, tally: Tally, recorded: Set[str]) -> Columns:
    """Make the values that break a rule missing, and count them; no rule sees what another one excluded.

    Args:
        recorded: columns that have a value, or may have one: most devices lack some sensor.
    """
    clean = rows
    for each in rules:
        if each.column in recorded:
            clean = without(clean, each.column, each.broken(rows), (each.kind, each.fault), tally)
    return clean


def without(rows: Columns, column: str, broken: Mask, why: tuple[str, str], tally: Tally) -> Columns:
    """Make some values of a column missing, and count them by reason and fault."""
    n_broken = int(np.count_nonzero(broken))
    if not n_broken:
        return rows
    count_samples(tally, column, *why, n_broken)
    return {**rows, column: np.where(broken, np.nan, rows[column])}

"""Stage `quality`: the samples of runs → how much of each quantity was measured, and what it is suspected of.

Rows in: samples and exclusions. Rows out: one per run and quantity. What was excluded or mended before is counted by
its fault; what shows only over the whole run (a sudden step, a speed faster than the records or made of steps, hardly
any running) is judged here and changes no sample. Thresholds, sources and words are those of
`pipeline/core/quality_rules.toml`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import (
    ALTITUDE,
    CADENCE,
    CLOCK,
    DISTANCE,
    IMPOSSIBLE,
    NO_READING,
    OFTEN_IMPOSSIBLE,
    RECORDS,
    RULES,
    SHARE_OF,
    SPEED,
    SPORT,
    SUSPICIONS,
    WHOLE_ROWS,
    rule,
)
from pipeline.methods.sensor_faults import BLOCK_S, LEAST_BLOCKS, sudden_step
from pipeline.tables import types_of

#: The fastest kilometres are looked for between points this far apart [m].
KNOT_M = 100.0
#: Runs shorter than this are not judged as a whole [s]. Common practice, no source.
LEAST_MOVING_S = 60.0

_SHARES = tuple(dict.fromkeys(SHARE_OF.values()))
_STEPS = {each.quantity: each.threshold for each in RULES if each.suspicion == "sudden_step"}
#: Steps are of one fixed length only where cadence varies by more than that from minute to minute, as its standard
#: deviation [%]; in 360 invented runs indoors it varied by 0.34 to 0.9 %. Common practice, no source.
CADENCE_VARIES_PCT = 0.3

_FASTER, _HARDLY_RUN = rule("faster_than_records", SPEED), rule("hardly_run", SPORT)
_OF_STEPS = rule("made_of_steps", SPEED)
_TIMES_MISSING = rule("times_missing", CLOCK)
_BY_FAULT = {suspicion.fault: name for name, suspicion in SUSPICIONS.items() if suspicion.fault is not None}

#: Number of samples by fault.
_Counts = Mapping[str, int]
_Row = dict[str, object]
#: Where something begins and ends [km].
_Place = tuple[float | None, float | None]


def quality(
    samples: pl.DataFrame, runs: pl.DataFrame, exclusions: pl.DataFrame, *, registry: Registry = BUILT_IN
) -> pl.DataFrame:
    """Judge every quantity of runs.

    Args:
        samples: rows of the table `samples`, the rows of each run together.
        runs: `run_id` and `athlete_id` of each run.
        exclusions: rows of the table `exclusions` of the same runs.
        registry: the quantities in force.

    Returns:
        Rows of the table `quality`, all of `QUANTITIES` and further readings for each run.
    """
    athletes = dict(runs.select("run_id", "athlete_id").iter_rows())
    counts: dict[str, dict[str, dict[str, int]]] = {}
    for run_id, quantity, fault, n in exclusions.select("run_id", "quantity", "fault", "n_samples").iter_rows():
        of_quantity = counts.setdefault(run_id, {}).setdefault(quantity, {})
        of_quantity[fault] = of_quantity.get(fault, 0) + n
    rows: list[_Row] = []
    begins = 0
    for n_samples, run_id in samples["run_id"].rle().struct.unnest().iter_rows():
        own = samples.slice(begins, n_samples)
        begins += n_samples
        name = {"run_id": run_id, "athlete_id": athletes[run_id]}
        rows += [name | _with_words(row) for row in _run_rows(own, counts.get(run_id, {}), tuple(registry.reading_of))]
    return pl.DataFrame(rows, schema=types_of("quality"))


def _with_words(row: _Row) -> _Row:
    """The row with what its suspicion means for a person."""
    suspicion = row.get("suspicion")
    if suspicion is None:
        return row
    meaning = SUSPICIONS[str(suspicion)]
    return row | {"treatment": meaning.treatment, "fix": f"{meaning.fix[0].upper()}{meaning.fix[1:]}."}


def _run_rows(samples: pl.DataFrame, counts: Mapping[str, _Counts], readings: Sequence[str]) -> Iterator[_Row]:
    n = samples.height
    whole = counts.get(WHOLE_ROWS, {})
    n_rows = n + whole.get(NO_READING, 0) + whole.get("merged", 0)
    yield _row(CLOCK, n / n_rows, whole, n_rows, suspicion=_clock_suspicion(whole, n_rows))
    of_distance = counts.get(DISTANCE, {})
    n_mended = sum(number for fault, number in of_distance.items() if fault in SHARE_OF)
    run = _Run(samples)
    yield _row(SPORT, None, {}, n, suspicion=run.sport_suspicion())
    yield _row(DISTANCE, max(1 - n_mended / n, 0.0), of_distance, n, suspicion=_by_fault(of_distance))
    suspicion, place_km = run.speed_suspicion()
    yield _row(SPEED, samples[SPEED].count() / n, counts.get(SPEED, {}), n, suspicion=suspicion, place_km=place_km)
    yield _row(ALTITUDE, samples[ALTITUDE].count() / n, counts.get(ALTITUDE, {}), n, suspicion=None)
    for quantity in readings:
        own = counts.get(quantity, {})
        suspicion, step_km = _by_fault(own), None
        if suspicion is None and own.get(IMPOSSIBLE, 0) >= OFTEN_IMPOSSIBLE * n:
            suspicion = "often_impossible"
        if suspicion is None and quantity in _STEPS and (step_km := run.step_km(quantity)) is not None:
            suspicion = "sudden_step"
        yield _row(quantity, samples[quantity].count() / n, own, n, suspicion=suspicion, place_km=(step_km, None))


def _row(
    quantity: str,
    measured: float | None,
    counts: _Counts,
    n: int,
    *,
    suspicion: str | None,
    place_km: _Place = (None, None),
) -> _Row:
    shares = dict.fromkeys(_SHARES, 0.0)
    for fault, number in counts.items():
        if fault in SHARE_OF:
            shares[SHARE_OF[fault]] = min(shares[SHARE_OF[fault]] + number / n, 1.0)
    return {
        "quantity": quantity,
        "measured_share": measured,
        **shares,
        "suspicion": suspicion,
        "from_km": place_km[0],
        "to_km": place_km[1],
    }


def _by_fault(counts: _Counts) -> str | None:
    """The first suspicion, in order of weight, that any sample is counted for; impossible values have a threshold."""
    if not counts:
        return None
    return next((name for fault, name in _BY_FAULT.items() if fault != IMPOSSIBLE and counts.get(str(fault))), None)


def _clock_suspicion(counts: _Counts, n_rows: int) -> str | None:
    if counts.get("moved_on"):
        return "clock_set_back"
    is_often = counts.get(NO_READING, 0) >= _TIMES_MISSING.threshold * n_rows
    return "times_missing" if is_often else None


def _first_of_each_block(running_s: Array) -> npt.NDArray[np.intp]:
    """The places of the samples that begin a minute of running, of those in which any begins."""
    clock = np.cumsum(running_s)
    ends_s = np.arange(BLOCK_S, clock[-1] + BLOCK_S, BLOCK_S) if len(clock) else clock
    first = np.unique(np.concatenate([[0], np.searchsorted(clock, ends_s)]))
    return first[first < len(clock)]


class _Run:
    """What is judged of a run as a whole."""

    def __init__(self, samples: pl.DataFrame) -> None:
        self._samples = samples
        self._interval_s = samples["interval_s"].to_numpy()
        self._distance_m = samples[DISTANCE].to_numpy()
        running = (samples["gait"] == "run").to_numpy().nonzero()[0]
        # Mostly the run has no break: a part of a column need not be copied.
        is_unbroken = len(running) > 0 and running[-1] - running[0] == len(running) - 1
        self._running = slice(running[0], running[-1] + 1) if is_unbroken else running
        running_s = self._interval_s[self._running]
        self._running_s = float(running_s.sum())
        self._sums: dict[str, tuple[Array, Array]] = {}
        self._minutes = _first_of_each_block(running_s)
        self._sizes = np.diff(self._minutes, append=len(running_s)).astype(np.float64)

    def sport_suspicion(self) -> str | None:
        """Whether hardly any of it was run."""
        if self._running_s >= _HARDLY_RUN.threshold * self._interval_s.sum():
            return None
        moving_s = float(self._interval_s[(self._samples["gait"] != "stand").to_numpy()].sum())
        is_hardly = moving_s >= LEAST_MOVING_S and self._running_s < _HARDLY_RUN.threshold * moving_s
        return "hardly_run" if is_hardly else None

    def speed_suspicion(self) -> tuple[str | None, _Place]:
        """What speed is suspected of, and where."""
        if self.is_made_of_steps():
            return "made_of_steps", (0.0, float(self._distance_m[-1]) / 1000)
        too_fast = self.too_fast_km()
        return "faster_than_records" if too_fast[0] is not None else None, too_fast

    def is_made_of_steps(self) -> bool:
        """Whether step length stays the same while cadence varies, minute by minute of running."""
        cadence, speed = self._minute_means(CADENCE), self._minute_means(SPEED)
        if cadence is None or speed is None:
            return False
        varies_pct, step_varies_pct = (100 * float(np.std(np.log(one))) for one in (cadence, speed / cadence))
        return varies_pct >= CADENCE_VARIES_PCT and step_varies_pct <= _OF_STEPS.threshold

    def too_fast_km(self) -> _Place:
        """The stretch with every distance of a kilometre or more that took less time than the record."""
        knots_m = np.arange(0.0, self._distance_m[-1] + 1e-6, KNOT_M)
        at_s = np.interp(knots_m, self._distance_m, np.cumsum(self._interval_s))
        begins, ends = len(knots_m), 0
        for record_m, record_s in RECORDS:
            n_knots = int(record_m // KNOT_M)
            if len(knots_m) <= n_knots:
                break
            limit_s = record_s * n_knots * KNOT_M / record_m / _FASTER.threshold
            is_faster = at_s[n_knots:] - at_s[:-n_knots] < limit_s
            if is_faster.any():
                begins = min(begins, int(np.argmax(is_faster)))
                ends = max(ends, len(is_faster) - 1 - int(np.argmax(is_faster[::-1])) + n_knots)
        if not ends:
            return None, None
        if ends - begins >= len(knots_m) / 2:
            return 0.0, float(self._distance_m[-1]) / 1000
        return begins * KNOT_M / 1000, ends * KNOT_M / 1000

    def step_km(self, quantity: str) -> float | None:
        """Where a reading is shifted suddenly and stays so; not asked where it is missing for whole minutes."""
        values = self._minute_means(quantity)
        if values is None:
            return None
        speed, n_speeds = self._sums_of_minutes(SPEED)
        minute = sudden_step(values, speed / n_speeds, _STEPS[quantity])
        return None if minute is None else float(self._distance_m[self._running][self._minutes[minute]]) / 1000

    def _minute_means(self, quantity: str) -> Array | None:
        """Mean of the values in each of ten minutes of running or more; None where any has none."""
        if len(self._minutes) < 2 * LEAST_BLOCKS or self._samples[quantity].null_count() == self._samples.height:
            return None
        values, n_values = self._sums_of_minutes(quantity)
        return values / n_values if np.all(n_values) and np.all(values > 0) else None

    def _sums_of_minutes(self, quantity: str) -> tuple[Array, Array]:
        """Sum of the values in each minute of running, and their number."""
        if quantity not in self._sums:
            values = self._samples[quantity].to_numpy()[self._running]
            known = np.isfinite(values)
            if known.all():
                self._sums[quantity] = np.add.reduceat(values, self._minutes), self._sizes
            else:
                sums = np.add.reduceat(np.where(known, values, 0.0), self._minutes)
                self._sums[quantity] = sums, np.add.reduceat(known, self._minutes, dtype=np.float64)
        return self._sums[quantity]

"""What enters the regressions: which splits of an athlete, and which causes they can tell apart.

Splits in; out, for each athlete and metric, a design for `pipeline/methods/mixed_model.py`. The stages `responses` and
`drift` share it, so that both speak of the same splits; what is fitted to it, `pipeline/methods/causes.py` says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array, Mask
from pipeline.core.inclusion import Inclusion
from pipeline.methods.mixed_model import DISTANCE, FIRST_CAUSE, VALUE, Design
from pipeline.methods.warm_up import warm_up_left

TEN_KM = 10_000.0

#: The causes, in the order of their columns after `FIRST_CAUSE`.
CAUSES = ("speed", "slope", "slope_squared", "speed_squared", "pace_variance", "warm_up")
SPEED, SLOPE, SLOPE_SQUARED, SPEED_SQUARED, PACE_VARIANCE, WARM_UP = range(FIRST_CAUSE, FIRST_CAUSE + len(CAUSES))

#: Causes that are taken out with a prior wherever they vary at all, and that say nothing of whether speed and slope can
#: be told from distance.
NUISANCE = (PACE_VARIANCE, WARM_UP)

#: Where the response to each cause that the drift was adjusted with is published.
ADJUSTED_BY = {
    SPEED: "response_to_speed",
    SPEED_SQUARED: "response_to_speed_squared",
    SLOPE: "response_to_slope",
    SLOPE_SQUARED: "response_to_slope_squared",
    PACE_VARIANCE: "response_to_pace_variance",
    WARM_UP: "response_to_warm_up",
}

#: Root mean squares inside runs below which a nuisance is not looked for: with usual sizes it then moves a split by
#: less than 0.05 %. Common practice, no source.
NUISANCE_VARIES = {PACE_VARIANCE: 0.001, WARM_UP: 0.01}

#: A response is estimated only from what varied inside runs, the most varied run left out: standard deviations below
#: these teach nothing. Half a percent of speed; a third of a percent of slope. Common practice, no source.
VARIES = {SPEED: 0.005, SLOPE: 0.3, SLOPE_SQUARED: 0.3}
#: Log speed must vary this much before a curve is looked for.
SPEED_VARIES_FOR_CURVE = 0.04
#: A cause that the ones before it explain but for this share of its size is one of them under another name.
APART = 1e-3
#: Beyond this share of distance explained by the causes, arithmetic itself cannot tell them apart.
INSEPARABLE = 0.999


@dataclass(frozen=True)
class Entry:
    """What of an athlete's splits enters for a metric.

    Attributes:
        name: `athlete_id` and `metric`.
        reference_speed_m_s: of the athlete; None where no split is usable.
        regressors: the design without its value, one for all metrics of the athlete that have the same splits.
        value: logarithm of the metric.
    """

    name: dict[str, object]
    reference_speed_m_s: float | None
    regressors: Regressors
    value: Array

    @property
    def n_runs(self) -> int:
        """Runs that enter."""
        return len(self.regressors.design.run_ids)

    def is_estimable(self, inclusion: Inclusion) -> bool:
        """Whether there are runs enough, and causes that can be told apart from distance."""
        return self.n_runs >= inclusion.min_runs and self.regressors.are_separable

    @cached_property
    def design(self) -> Design:
        """The design; made when it is asked for."""
        return self.regressors.with_value(self.value)


@dataclass(frozen=True, eq=False)
class Regressors:
    """A design whose value is not told yet, and what can be said of it already."""

    design: Design

    def with_value(self, value: Array) -> Design:
        """The design of a metric."""
        columns = self.design.columns.copy()
        columns[:, VALUE] = value
        return replace(self.design, columns=columns)

    @cached_property
    def causes(self) -> tuple[int, ...]:
        """See `identifiable`."""
        return identifiable(self.design)

    @cached_property
    def are_separable(self) -> bool:
        """Whether the causes can be told apart from distance at all."""
        return collinearity_of(self.design, self.causes) <= INSEPARABLE

    @cached_property
    def with_curve(self) -> tuple[int, ...] | None:
        """The causes and a curve of speed, where speed varies enough to tell one."""
        design, causes = self.design, self.causes
        if SPEED not in causes or design.within_runs[:, SPEED].std() < SPEED_VARIES_FOR_CURVE:
            return None
        curved = _told_apart(design, (*causes, SPEED_SQUARED))
        is_told = SPEED_SQUARED in curved and len(curved) <= _room(design)
        return curved if is_told and collinearity_of(design, curved) <= INSEPARABLE else None

    @cached_property
    def alike(self) -> tuple[object, ...]:
        """The same for regressors that can be fitted in one call: of the same splits, with the same causes."""
        varied = np.flatnonzero(self.design.within_runs.any(axis=0)).tolist()
        return id(self.design.run), self.causes, self.with_curve, *varied


def design_of_metrics(entries: Sequence[Entry]) -> Design:
    """The design of metrics whose regressors are alike."""
    columns = np.array([entry.regressors.design.columns for entry in entries])
    columns[:, :, VALUE] = [entry.value for entry in entries]
    one = entries[0].regressors.design
    return replace(one, columns=columns, weight=np.broadcast_to(one.weight, columns.shape[:2]))


def entries(splits: pl.DataFrame, inclusion: Inclusion, only: Collection[str] | None = None) -> Iterator[Entry]:
    """What enters for each athlete and metric that was ever measured, or that is among some and was."""
    usable = by_athlete(inclusion.usable(splits))
    for athlete_id, everything in sorted(by_athlete(splits).items()):
        numbers = Numbers(usable.get(athlete_id, everything.clear()))
        reference = numbers.rows["speed_m_s"].median()
        reference = float(reference) if isinstance(reference, float) else None
        for metric in inclusion.registry.metrics:
            if only is not None and metric.column not in only:
                continue
            if everything[metric.column].null_count() < everything.height:
                yield Entry(
                    {"athlete_id": athlete_id, "metric": metric.column},
                    reference,
                    *_entering(numbers, metric.column, reference or 1.0, inclusion),
                )


def by_athlete(rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of each athlete; those of one athlete, as stages are mostly given, need not be taken apart."""
    athletes = rows["athlete_id"].unique()
    if len(athletes) == 1:
        return {athletes[0]: rows}
    return {athlete_id: own for (athlete_id,), own in rows.partition_by("athlete_id", as_dict=True).items()}


class Numbers:
    """The usable splits of one athlete, and columns of them as numbers, NaN where null: all metrics share these."""

    def __init__(self, rows: pl.DataFrame) -> None:
        self.rows = rows
        self._columns: dict[str, Array] = {}
        #: Of the metrics so far, by which splits enter: what does not depend on speed; and all, by the column of speed.
        self.designs: dict[bytes, Design] = {}
        self.regressors: dict[tuple[str, bytes], Regressors] = {}

    def __getitem__(self, column: str) -> Array:
        if column not in self._columns:
            self._columns[column] = self.rows[column].cast(pl.Float64).to_numpy()
        return self._columns[column]

    @cached_property
    def run(self) -> npt.NDArray[np.int64]:
        """Index of the run of each split."""
        return self.rows["run_id"].rle_id().to_numpy().astype(np.int64)

    @cached_property
    def has_known_slope(self) -> npt.NDArray[np.bool_]:
        """Whether the slope of each split is known: see `pipeline.core.inclusion.has_known_slope`."""
        has_slope = ~np.isnan(self["slope_pct"])
        return has_slope | ~(np.bincount(self.run, weights=has_slope) > 0)[self.run]

    @cached_property
    def run_ids(self) -> list[str]:
        """Name of the run of each split."""
        return self.rows["run_id"].to_list()

    @cached_property
    def speed_sources(self) -> list[str | None]:
        """Where the speed of each split comes from."""
        return self.rows["speed_source"].to_list()


def design_of(usable: Numbers, metric: str, reference_speed_m_s: float, inclusion: Inclusion) -> Design:
    """The splits of one athlete's runs that have a metric, in runs with enough of them."""
    regressors, value = _entering(usable, metric, reference_speed_m_s, inclusion)
    return regressors.with_value(value)


def _entering(
    usable: Numbers, metric: str, reference_speed_m_s: float, inclusion: Inclusion
) -> tuple[Regressors, Array]:
    value, run, registry = usable[metric], usable.run, inclusion.registry
    of = registry.metric_of.get(metric)
    of_speed = "lagged_speed_m_s" if of is not None and of.lags_pace else "speed_m_s"
    kept = (value > 0) & (usable[of_speed] > 0) & usable.has_known_slope
    for reading in registry.readings_behind(metric):
        kept &= ~(usable[registry.reading_of[reading].share_column] < inclusion.min_measured_share)
    kept &= np.bincount(run, weights=kept)[run] >= inclusion.min_splits_of_run
    splits = kept.tobytes()
    if splits not in usable.designs:
        usable.designs[splits] = _without_speed(usable, kept, inclusion)
    if (of_speed, splits) not in usable.regressors:
        design = usable.designs[splits]
        columns, speed = design.columns.copy(), np.log(usable[of_speed][kept] / reference_speed_m_s)
        columns[:, SPEED], columns[:, SPEED_SQUARED] = speed, speed**2
        usable.regressors[of_speed, splits] = Regressors(replace(design, columns=columns))
    return usable.regressors[of_speed, splits], np.log(value[kept])


def _without_speed(usable: Numbers, kept: Mask, inclusion: Inclusion) -> Design:
    run_begins = np.flatnonzero(np.diff(usable.run[kept], prepend=-1) > 0)
    first_rows = np.flatnonzero(kept)[run_begins]
    run_ids = [usable.run_ids[place] for place in first_rows]
    run = np.repeat(np.arange(len(run_ids)), np.diff(run_begins, append=kept.sum()))
    km = usable["km"][kept]
    not_yet = np.zeros(len(km))
    columns = [
        not_yet,
        (km - 0.5) * inclusion.split_length_m / TEN_KM,
        not_yet,
        # Where no altitude was recorded the run enters as level: a constant that its own level takes up.
        np.nan_to_num(usable["slope_pct"][kept]),
        np.nan_to_num(usable["slope_squared_pct2"][kept]),
        not_yet,
        _mixed_pace(np.nan_to_num(usable["log_speed_variance"][kept]), run),
        warm_up_left(km, inclusion.split_length_m),
    ]
    gap_km = np.diff(km, prepend=np.nan) * inclusion.split_length_m / 1000
    gap_km[run_begins] = np.nan
    running = usable["running_s"][kept]
    weight = running / np.median(running) if len(running) else running
    sources = [usable.speed_sources[place] for place in first_rows]
    return Design(np.column_stack(columns), run, run_ids, gap_km, weight, sources)


def _mixed_pace(variance: Array, run: npt.NDArray[np.int64]) -> Array:
    """The variance of pace inside splits; nothing where it hardly varies inside runs, which spares the fit a column."""
    counts = np.bincount(run)
    within = variance - (np.bincount(run, weights=variance) / counts)[run]
    is_mixed = len(run) and np.sqrt((within**2).mean()) > NUISANCE_VARIES[PACE_VARIANCE]
    return variance if is_mixed else np.zeros(len(run))


def nuisances(design: Design, warm_up_effect_pct: float) -> tuple[int, ...]:
    """Mixed pace and warm-up, so far as they vary inside runs.

    Args:
        design: of one athlete and metric.
        warm_up_effect_pct: what is expected of the warm-up's effect; 0 to expect none.
    """
    if not design.run_ids:
        return ()
    within = np.sqrt((design.within_runs**2).mean(axis=0))
    varied = [cause for cause in NUISANCE if within[cause] > NUISANCE_VARIES[cause]]
    return tuple(cause for cause in varied if cause != WARM_UP or warm_up_effect_pct > 0)


def identifiable(design: Design) -> tuple[int, ...]:
    """The causes that varied enough inside runs, in more than one of them, to tell a response."""
    if not design.run_ids:
        return ()
    squares = design.per_run(design.within_runs**2)
    deviation = np.sqrt((squares.sum(axis=0) - squares.max(axis=0)) / len(design.run))
    causes: tuple[int, ...] = (SPEED,) if deviation[SPEED] > VARIES[SPEED] else ()
    if deviation[SLOPE] > VARIES[SLOPE]:
        causes += (SLOPE, SLOPE_SQUARED) if deviation[SLOPE_SQUARED] > VARIES[SLOPE_SQUARED] else (SLOPE,)
    return _told_apart(design, causes)[: _room(design)]


def _room(design: Design) -> int:
    """Causes that the runs can tell besides distance and the nuisances, the longest run left out."""
    left = design.counts - 1
    return max(int(left.sum() - left.max()) - 1 - len(NUISANCE), 0)


def _told_apart(design: Design, causes: tuple[int, ...]) -> tuple[int, ...]:
    """The causes less those that the ones before them explain, in all runs or in all but one: two slopes, say."""
    within = design.within_runs
    kept: list[int] = []
    for cause in causes:
        before, column = within[:, kept], within[:, cause]
        rest = column - before @ np.linalg.lstsq(before, column, rcond=None)[0] if kept else column
        squares = design.per_run(rest**2, axis=-1)
        if squares.sum() - squares.max() > APART**2 * (column @ column):
            kept.append(cause)
    return tuple(kept)


def collinearity_of(design: Design, causes: tuple[int, ...]) -> float:
    """Share of the distance inside runs that lies in the span of the causes."""
    if not causes or not design.run_ids:
        return 0.0
    within = design.within_runs
    x, distance = within[:, list(causes)], within[:, DISTANCE]
    rest = distance - x @ np.linalg.lstsq(x, distance, rcond=None)[0]
    return float(1 - (rest @ rest) / (distance @ distance))

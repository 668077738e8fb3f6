"""Two recordings of one run: how far their clocks are apart, and the readings of one at the instants of the other.

Clocks are compared by what both measured: the shift at which the two series correlate best (the maximum of their
normalised cross-correlation, as in Knapp and Carter 1976, doi 10.1109/TASSP.1976.1162830, from memory). Where they
agree too little to tell, as in a run without any change of pace, the clocks are taken as they are, and that is said.

A reading stands for the interval that ends at its instant. What is joined to a sample is the mean of the other
recording over the interval of that sample, so any two rates go together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.arrays import Array

#: What clocks are compared by, as far as both recorded it.
COMPARED_BY = ("cadence_spm", "speed_m_s", "heart_rate_bpm")
#: Clocks of two devices are looked for this far apart [s]. Common practice, no source.
LONGEST_SHIFT_S = 120
#: Correlations from here on settle the shift; they are of series of one value per second. Common practice, no source.
SETTLED_FROM = 0.5
#: Seconds that both have to share for that. Common practice, no source.
FEWEST_SHARED_S = 120
#: Between readings further apart than this nothing is interpolated [s]. Common practice, no source.
_STALE_S = 10.0
#: A peak is the highest value within so long of it [s], and peaks are as high as each other if their correlations
#: differ by less than so much. Common practice, no source.
_PEAK_S, _AS_HIGH = 15, 0.02
#: A joined value is the mean over at least this share of its interval. Common practice, no source.
_LEAST_SHARE = 0.5


@dataclass(frozen=True)
class Alignment:
    """How the clock of a recording fits that of another one.

    Attributes:
        shift_s: to be added to its times; 0 where the recordings do not settle it [s].
        agreement: the correlation at the best shift; None where nothing could be compared.
        quantity: what was compared; likewise.
    """

    shift_s: float = 0.0
    agreement: float | None = None
    quantity: str | None = None

    @property
    def is_settled(self) -> bool:
        """Whether the recordings settle the shift."""
        return self.agreement is not None and self.agreement >= SETTLED_FROM


def align(kept: pl.DataFrame, other: pl.DataFrame, *, begins_later_s: float) -> Alignment:
    """Find the shift of the other recording's clock.

    Args:
        kept: rows of `samples` of one recording.
        other: the same of another one of the same run.
        begins_later_s: how much later the other one begins, by its own clock [s].
    """
    lasts_s = float(kept["elapsed_s"][-1])
    candidates = [
        _best_shift(
            _each_second(kept, quantity, 0.0, lasts_s), _each_second(other, quantity, begins_later_s, lasts_s), quantity
        )
        for quantity in COMPARED_BY
        if kept[quantity].count() and other[quantity].count()
    ]
    return max(candidates, key=lambda one: one.agreement or -1.0, default=Alignment())


def joined(
    kept: pl.DataFrame, other: pl.DataFrame, columns: Sequence[str], *, begins_later_s: float, shift_s: float
) -> pl.DataFrame:
    """The kept recording with columns of the other one, each the mean over the interval of a sample; null outside.

    Args:
        columns: of `samples`.
        begins_later_s: how much later the other one begins, by its own clock [s].
        shift_s: to be added to that clock [s].
    """
    ends_s, lasts_s = kept["elapsed_s"].to_numpy(), kept["interval_s"].to_numpy()
    other_ends_s = other["elapsed_s"].to_numpy() + begins_later_s + shift_s
    other_lasts_s = other["interval_s"].to_numpy()
    begins_s = other_ends_s - other_lasts_s
    begins_s[1:] = np.maximum(begins_s[1:], other_ends_s[:-1])
    edges_s = np.column_stack([begins_s, other_ends_s]).ravel()

    def within(values: Array) -> Array:
        sums = np.concatenate([[0.0], np.cumsum(values * other_lasts_s)])
        at_edges = np.column_stack([sums[:-1], sums[1:]]).ravel()
        return np.asarray(np.interp(ends_s, edges_s, at_edges) - np.interp(ends_s - lasts_s, edges_s, at_edges))

    means = []
    for column in columns:
        values = other[column].cast(pl.Float64).to_numpy()
        known_s = within(np.isfinite(values).astype(float))
        is_known = (lasts_s > 0) & (known_s >= _LEAST_SHARE * lasts_s)
        mean = np.divide(within(np.nan_to_num(values)), known_s, out=np.full(len(ends_s), np.nan), where=is_known)
        means.append(pl.Series(column, mean, nan_to_null=True))
    return kept.with_columns(means)


def _each_second(rows: pl.DataFrame, quantity: str, later_s: float, lasts_s: float) -> Array:
    """The reading, interpolated, at each second of the kept recording, and of the longest shift around it."""
    known = rows.select("elapsed_s", quantity).drop_nulls()
    at_s, values = known["elapsed_s"].to_numpy() + later_s, known[quantity].to_numpy()
    seconds = np.arange(-LONGEST_SHIFT_S, lasts_s + LONGEST_SHIFT_S + 1)
    places = np.searchsorted(at_s, seconds, side="left")
    inside = (places < len(at_s)) & (seconds >= at_s[0])
    places = np.clip(places, 1, len(at_s) - 1) if len(at_s) > 1 else places * 0
    is_fresh = at_s[places] - at_s[np.maximum(places - 1, 0)] <= _STALE_S
    return np.where(inside & is_fresh, np.interp(seconds, at_s, values), np.nan)


def _best_shift(kept: Array, other: Array, quantity: str) -> Alignment:
    """The shift at which two series correlate best; none at the edge of what is looked at."""
    inner = slice(LONGEST_SHIFT_S, len(kept) - LONGEST_SHIFT_S)
    shifts = np.arange(-LONGEST_SHIFT_S, LONGEST_SHIFT_S + 1)
    agreements = np.array(
        [_correlation(kept[inner], other[inner.start + ahead : inner.stop + ahead]) for ahead in shifts]
    )
    if not np.isfinite(agreements).any():
        return Alignment()
    best = _nearest_peak(agreements)
    agreement = float(agreements[best])
    is_inside = 0 < best < len(shifts) - 1
    if agreement < SETTLED_FROM or not is_inside:
        return Alignment(0.0, min(agreement, np.nextafter(SETTLED_FROM, 0.0)) if not is_inside else agreement, quantity)
    return Alignment(float(-shifts[best]), agreement, quantity)


def _nearest_peak(agreements: Array) -> int:
    """Of the peaks that are about as high as the highest one, as intervals make them, the one of the smallest shift."""
    known = np.where(np.isfinite(agreements), agreements, -np.inf)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(known, _PEAK_S, constant_values=-np.inf), 2 * _PEAK_S + 1)
    is_peak = (known >= around.max(axis=1)) & (known >= known.max() - _AS_HIGH)
    peaks = np.flatnonzero(is_peak)
    return int(peaks[np.argmin(np.abs(peaks - LONGEST_SHIFT_S))])


def _correlation(here: Array, there: Array) -> float:
    shared = np.isfinite(here) & np.isfinite(there)
    if shared.sum() < FEWEST_SHARED_S:
        return float("nan")
    x, y = here[shared] - here[shared].mean(), there[shared] - there[shared].mean()
    size = float(np.sqrt((x @ x) * (y @ y)))
    return float(x @ y) / size if size > 0 else float("nan")

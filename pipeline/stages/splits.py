"""Stage `splits`: samples → one row per kilometre of a run (or another split length), and one row per lap.

Boundaries are interpolated between samples. Means are weighted by time over running samples; flight time, duty factor
and step length follow from the means of their own row. Kilometres and laps differ only in where their boundaries are.
Speed is also smoothed as heart rate follows it. Stiffness is added for level splits of athletes whose mass is known
(`pipeline/methods/spring_mass.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.sparse import csr_array

from pipeline.core.arrays import Array, Mask
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import left_out
from pipeline.formats import Recording
from pipeline.methods.spring_mass import with_stiffness

#: Heart rate follows treadmill speed with this time constant: 55.7 s at moderate and 59.5 s at vigorous intensity, no
#: significant difference (24 men; BioMedical Engineering OnLine 2015, doi 10.1186/s12938-015-0112-7, abstract read).
HEART_RATE_LAG_S = 57.6
#: A longer time between samples than they stand for is a pause [s]; less is rounding.
PAUSE_S = 0.5
#: Weights below this are less than the last digit of a sum.
_NO_WEIGHT = 1e-17


#: Readings whose variability inside a split is kept, and its column.
VARIED = {"cadence_spm": "cadence_sd_spm", "contact_time_ms": "contact_time_sd_ms"}
_LAGGED = "lagged_speed_m_s"


def splits(
    samples: pl.DataFrame,
    laps: pl.DataFrame,
    runs: pl.DataFrame,
    athletes: pl.DataFrame,
    quality: pl.DataFrame | None = None,
    *,
    split_length_m: float,
    level_slope_pct: float,
    level_roughness_pct: float,
    min_run_share: float,
    registry: Registry = BUILT_IN,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Cut runs into splits and into the laps of their devices, with stiffness on the level.

    Args:
        samples: rows of the table `samples`, of any number of runs.
        laps: rows of `LAPS`.
        runs: `run_id`, `athlete_id`, `altitude` and `speed_source` of each run.
        athletes: `athlete_id`, `mass_kg`, `height_m`, `leg_length_m`; one row per athlete.
        quality: rows of the table `quality` of these runs; None to suspect none of them.
        split_length_m: length of a split [m].
        level_slope_pct: splits with a steeper mean slope, up or down, have no stiffness [%].
        level_roughness_pct: nor do those whose slope has a larger root mean square [%].
        min_run_share: nor those with a smaller share of running.
        registry: the quantities in force.

    Returns:
        Rows of the tables `splits` and `lap_splits`. The last split of a run has the length that was left; a lap
        without samples has no row.
    """
    rows = with_stiffness(
        _means(samples, laps, split_length_m, registry).join(
            runs.select("run_id", "athlete_id", "altitude", "speed_source"),
            on="run_id",
            how="left",
            maintain_order="left",
        ),
        athletes,
        level_slope_pct=level_slope_pct,
        level_roughness_pct=level_roughness_pct,
        min_run_share=min_run_share,
    )
    of_splits, of_laps = _apart(rows)
    return of_splits if quality is None else _with_suspicion(of_splits, quality, split_length_m), of_laps


#: The laps of runs: when they begin and end on the clock of `elapsed_s`. Those of one run do not overlap.
LAPS: dict[str, pl.DataType | type[pl.DataType]] = {
    "run_id": pl.String, "lap": pl.Int64, "begins_s": pl.Float64, "ends_s": pl.Float64,
}  # fmt: skip


def laps_of(run_id: str, recording: Recording, started_s: float) -> pl.DataFrame:
    """The laps of a recording as rows of `LAPS`, numbered from 1.

    Args:
        started_s: time of the first sample on the recording's clock [s].
    """
    return pl.DataFrame(lap_rows(run_id, recording, started_s), schema=LAPS, orient="row")


def lap_rows(run_id: str, recording: Recording, started_s: float) -> list[tuple[str, int, float, float]]:
    """The same as rows, of which frames are made for many runs at once."""
    laps = enumerate(recording.laps, start=1)
    return [(run_id, number, begin - started_s, end - started_s) for number, (begin, end) in laps]


def means(samples: pl.DataFrame, laps: pl.DataFrame, *, split_length_m: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Cut runs into splits and into laps; the same rows without `athlete_id` and stiffness."""
    return _apart(_means(samples, laps, split_length_m, BUILT_IN))


def _means(samples: pl.DataFrame, laps: pl.DataFrame, split_length_m: float, registry: Registry) -> pl.DataFrame:
    """The rows of both, told apart by `is_lap`: splits in order of run and place, and then laps likewise."""
    rows = _Rows(samples, registry)
    of_splits, of_laps = _of_splits(rows, split_length_m), _of_laps(rows, laps)
    pieces = _Pieces(*(np.concatenate(both) for both in zip(of_splits, of_laps, strict=True)))
    run, n_of_splits, n_pieces = rows.run[pieces.row], len(of_splits.row), len(pieces.row)
    split = np.maximum(np.ceil(pieces.ends_at) - 1, 0)
    begins = _changes(split, run)
    if n_of_splits < n_pieces:
        begins[n_of_splits] = True
    # Speed over about a hundred metres, of a lap over a tenth of its time: single samples show the noise of their
    # sensor and not the pace.
    tenth = np.floor(5 * (pieces.ends_at + pieces.begins_at - 2 * split))  # in which its middle lies
    first, first_of_tenth = np.flatnonzero(begins), np.flatnonzero(begins | _changes(tenth))

    row = pieces.row.astype(np.int32)  # of half the size: every sum reads them

    def shares(first: npt.NDArray[np.intp]) -> csr_array:
        ends = np.append(first, n_pieces).astype(np.int32)
        return csr_array((pieces.share, row, ends), shape=(len(first), len(rows.run)))

    of_splits_and_laps, of_tenths = shares(first), shares(first_of_tenth)
    sums = {name: of_splits_and_laps @ values for name, values in rows.summed()}
    tenths = of_tenths @ rows.running_s, of_tenths @ rows.running_m
    n_tenths = np.diff(np.searchsorted(first_of_tenth, first), append=len(first_of_tenth))
    means = {
        "length_m": sums["length_m"],
        "moving_s": sums["moving_s"],
        "running_s": sums["running_s"],
        "log_speed_variance": _log_speed_variance(*tenths, np.repeat(np.arange(len(first)), n_tenths), len(first)),
        **_means_of(sums, registry),
    }
    return pl.DataFrame(
        [
            pl.Series("is_lap", first >= n_of_splits),
            rows.run_ids.gather(run[first]).alias("run_id"),
            pl.Series("km", split[first].astype(np.int64) + 1),
            pl.Series("n_valid", np.add.reduceat(rows.is_run[pieces.row], first, dtype=np.int64)),
            *(pl.Series(name, values, nan_to_null=True) for name, values in means.items()),
        ]
    )


def _changes(*places: npt.NDArray[Any]) -> Mask:
    """Where any of several series has another value than before; its first value counts as one."""
    changes = np.ones(len(places[0]), dtype=bool)
    changes[1:] = False
    for place in places:
        changes[1:] |= place[1:] != place[:-1]
    return changes


def _means_of(sums: Mapping[str, Array], registry: Registry) -> dict[str, Array]:
    """Columns of `splits` from sums over each split; NaN where there is nothing to take a mean of.

    Flight, duty factor and step length follow from the means next to them, so that a row never contradicts itself.
    """
    running_s, sloped_m = sums["running_s"], sums["sloped_m"]
    nothing = np.zeros(len(running_s))
    known_s = {
        name: sums.get(f"{name}_known_s", running_s) if f"{name}_s" in sums else nothing
        for name in (*registry.reading_of, _LAGGED)
    }
    means = {name: _over(sums.get(f"{name}_s", nothing), known) for name, known in known_s.items()}
    for name, column in VARIED.items():
        square = _over(sums.get(f"{name}_square_s", nothing), known_s[name])
        means[column] = np.sqrt(np.maximum(square - means[name] * means[name], 0))
    for name, reading in registry.reading_of.items():
        means[reading.share_column] = _over(known_s[name], running_s)
    # Of a split whose altitude is known for less than half, the slope is not known.
    is_sloped = (sloped_m > 0) & (sloped_m >= sums["length_m"] / 2)
    for name, values in (
        ("slope_pct", _over(sums["sloped_pct_m"], sloped_m)),
        ("slope_squared_pct2", _over(sums["sloped_pct2_m"], sloped_m)),
        ("climb_m", sums["climbed_m"]),
    ):
        means[name] = np.where(is_sloped, values, np.nan)
    cadence, contact = means["cadence_spm"], means["contact_time_ms"]
    return means | {
        "run_share": _over(running_s, sums["moving_s"]),
        "speed_m_s": _over(sums["running_m"], running_s),
        "flight_time_ms": _over(60_000, cadence) - contact,
        "duty_factor": contact * cadence / 120_000,
        "step_length_m": _over(_over(60 * sums["running_m"], running_s), cadence),
    }


def _over(numerator: Array | float, denominator: Array) -> Array:
    """The quotient; NaN over nothing."""
    quotient: Array = np.divide(numerator, denominator, out=np.full(len(denominator), np.nan), where=denominator != 0)
    return quotient


def _log_speed_variance(running_s: Array, running_m: Array, split: npt.NDArray[np.intp], n_splits: int) -> Array:
    """Variance of the logarithm of speed between tenths of a split, weighted by time; NaN where none was run.

    Args:
        running_s: time run in each tenth [s].
        running_m: distance run in it [m].
        split: to which each belongs.
        n_splits: how many there are.
    """
    is_run = (running_s > 0) & (running_m > 0)
    weight, of = running_s[is_run], split[is_run]
    log_speed = np.log(running_m[is_run] / weight)

    def total(values: Array) -> Array:
        return np.bincount(of, values, minlength=n_splits).astype(np.float64)

    whole_s = total(weight)
    mean = _over(total(log_speed * weight), whole_s)
    return np.maximum(_over(total(log_speed * log_speed * weight), whole_s) - mean * mean, 0)


class _Rows:
    """The samples that stand for some time, in order of run and time, as arrays.

    Attributes:
        run_ids: the runs in order; one may have none of the samples.
        run: which of them each sample is of.
        ends_s: time since the start of the run [s].
        interval_s: time that each stands for [s].
        distance_m: since the start of the run [m].
        covered_m: distance in the interval [m].
        is_run: whether it was run.
        running_s: its time if it was run, else 0 [s].
        running_m: likewise its distance [m].
    """

    def __init__(self, samples: pl.DataFrame, registry: Registry = BUILT_IN) -> None:
        interval_s = samples["interval_s"].to_numpy()
        self._registry = registry
        # Those that stand for some time, which are nearly all: to copy stretches takes less than to look up places.
        self._samples, self._kept = samples, interval_s > 0
        self.run_ids, self.run, self.ends_s = self._runs()
        is_later = (self.run[1:] > self.run[:-1]) | (self.ends_s[1:] >= self.ends_s[:-1])
        if not (is_later.all() and self.run_ids.is_sorted()) or self.run_ids.n_unique() < len(self.run_ids):
            order = samples.select(pl.arg_sort_by("run_id", "elapsed_s", maintain_order=True)).to_series().to_numpy()
            self._samples = samples.select(pl.all().gather(order[interval_s[order] > 0]))
            self._kept = np.ones(self._samples.height, dtype=bool)
            self.run_ids, self.run, self.ends_s = self._runs()
        self.interval_s = self._column("interval_s")
        self.distance_m, self.covered_m = self._column("distance_m"), self._column("covered_m")
        self._is_stand, self.is_run = (
            (self._samples["gait"] == gait).to_numpy()[self._kept] for gait in ("stand", "run")
        )
        self.running_s = np.where(self.is_run, self.interval_s, 0.0)
        self.running_m = np.where(self.is_run, self.covered_m, 0.0)

    def _runs(self) -> tuple[pl.Series, npt.NDArray[np.intp], Array]:
        runs = self._samples["run_id"].rle().struct.unnest()
        run = np.repeat(np.arange(len(runs)), runs["len"].to_numpy())[self._kept]
        return runs["value"], run, self._column("elapsed_s")

    def _column(self, name: str) -> Array:
        values: Array = self._samples[name].to_numpy()[self._kept]
        return values

    def lagged_speed_m_s(self) -> Array:
        """Speed smoothed over `HEART_RATE_LAG_S`, NaN where not run.

        Every stretch of running begins at its own first speed: what the heart did while the athlete walked or stood is
        not known.
        """
        begins = _changes(self.is_run, self.run)
        begins[1:] |= np.diff(self.ends_s) > self.interval_s[1:] + PAUSE_S
        kept = np.where(begins, 0.0, np.exp(-self.interval_s / HEART_RATE_LAG_S))
        smoothed = (1 - kept) * (self.covered_m / self.interval_s)
        # Each value is so much of the one before, and something new. Twice as many are added up in every round, until
        # what is still missing has no weight.
        n, products = 1, np.empty(len(kept))
        while n < len(kept) and kept.max() > _NO_WEIGHT:
            smoothed[n:] += np.multiply(kept[n:], smoothed[:-n], out=products[n:])
            np.multiply(kept[n:], kept[:-n], out=products[n:])
            products[:n] = kept[:n]
            kept, products = products, kept
            n *= 2
        return np.where(self.is_run, smoothed, np.nan)

    def summed(self) -> Iterator[tuple[str, Array]]:
        """What is summed over intervals, one after the other: memory for all at once takes longer to get.

        Of a reading that nobody recorded there is nothing, of one that is never missing no time that it is known for.
        """
        slope_pct = self._column("slope_pct")
        is_sloped = np.isfinite(slope_pct)
        sloped_pct = np.where(is_sloped, slope_pct, 0.0)
        yield "running_s", self.running_s
        yield "running_m", self.running_m
        yield "moving_s", np.where(self._is_stand, 0.0, self.interval_s)
        yield "length_m", self.covered_m
        yield "sloped_m", np.where(is_sloped, self.covered_m, 0.0)
        yield "sloped_pct_m", sloped_pct * self.covered_m
        yield "sloped_pct2_m", sloped_pct * sloped_pct * self.covered_m
        yield "climbed_m", np.maximum(sloped_pct, 0.0) * self.covered_m / 100
        for name in (*self._registry.reading_of, _LAGGED):
            if name != _LAGGED and self._samples[name].null_count() == self._samples.height:
                continue
            values = self.lagged_speed_m_s() if name == _LAGGED else self._column(name)
            is_known = np.isfinite(values)
            if not is_known.all():
                values = np.where(is_known, values, 0.0)
                yield f"{name}_known_s", np.where(is_known, self.running_s, 0.0)
            yield f"{name}_s", values * self.running_s
            if name in VARIED:
                yield f"{name}_square_s", values * values * self.running_s


class _Pieces(NamedTuple):
    """Pieces of the intervals that end at samples, in order, cut where one split or lap ends and the next begins.

    Attributes:
        row: of the samples.
        share: of the interval's time and distance.
        begins_at: its place counted in splits, by distance, or in laps, by time.
        ends_at: likewise; an end exactly on a boundary belongs to the split or lap before it.
    """

    row: npt.NDArray[np.intp]
    share: Array
    begins_at: Array
    ends_at: Array


def _rounded(places: Array) -> Array:
    """Running sums miss a boundary by the last digits of a float, and would leave a split of no length behind it."""
    return places.round(9)


def _of_splits(samples: _Rows, split_length_m: float) -> _Pieces:
    """Pieces cut at the ends of splits, time by place. Standing on an end belongs to the split just run."""
    distance_m, covered_m = samples.distance_m, samples.covered_m
    begins_at, ends_at = _rounded((distance_m - covered_m) / split_length_m), _rounded(distance_m / split_length_m)
    last = np.maximum(np.ceil(ends_at) - 1, 0)
    first = np.minimum(np.floor(begins_at), last)
    n_more = (last - first).astype(np.intp)
    row = np.repeat(np.arange(len(first)), n_more + 1)
    begins, ends, share = begins_at[row], ends_at[row], np.ones(len(row))
    # Few intervals are cut: only their pieces are looked at.
    whole = np.flatnonzero(n_more)
    first_piece = whole + np.cumsum(n_more[whole]) - n_more[whole]
    n_pieces = n_more[whole] + 1
    nth = np.arange(n_pieces.sum()) - np.repeat(np.cumsum(n_pieces) - n_pieces, n_pieces)
    piece, of = np.repeat(first_piece, n_pieces) + nth, np.repeat(whole, n_pieces)
    split = first[of] + nth
    begins[piece], ends[piece] = np.maximum(begins_at[of], split), np.minimum(ends_at[of], split + 1)
    share[piece] = (ends[piece] - begins[piece]) / (ends_at[of] - begins_at[of])
    return _Pieces(row, share, begins, ends)


def _apart(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    n_laps = int(rows["is_lap"].sum())
    rows = rows.drop("is_lap")
    return rows.head(rows.height - n_laps), rows.tail(n_laps).rename({"km": "lap"})


def _with_suspicion(rows: pl.DataFrame, quality: pl.DataFrame, split_length_m: float) -> pl.DataFrame:
    """Add `suspicion` to the splits that touch a stretch whose splits do not enter the regressions."""
    stretches = quality.filter(pl.col("suspicion").is_in(left_out())).unique(
        "run_id", keep="first", maintain_order=True
    )
    if stretches.is_empty():
        return rows.with_columns(suspicion=pl.lit(None, dtype=pl.String))
    begins_m = (pl.col("km") - 1) * split_length_m
    touches = (begins_m < 1000 * pl.col("to_km")) & (begins_m + pl.col("length_m") > 1000 * pl.col("from_km"))
    return (
        rows.join(stretches.select("run_id", "suspicion", "from_km", "to_km"), on="run_id", how="left")
        .with_columns(suspicion=pl.when(touches).then("suspicion"))
        .drop("from_km", "to_km")
    )


def _of_laps(samples: _Rows, laps: pl.DataFrame) -> _Pieces:
    """Pieces cut where laps begin and end; what is outside of every lap is left out.

    Laps differ in duration, so a place counted in laps is not proportional to time across an end. Distance is cut in
    proportion to time. An interval after a pause is taken to lie behind the pause.
    """
    ordered = laps.sort("run_id", "begins_s")
    number, begins_s, ends_s = (ordered[name].to_numpy() for name in ("lap", "begins_s", "ends_s"))
    of_run, first_lap = {}, 0
    for n_laps, run_id in ordered["run_id"].rle().struct.unnest().iter_rows():
        own = slice(first_lap, first_lap + n_laps)
        of_run[run_id] = number[own] - 1.0, begins_s[own], ends_s[own]
        first_lap += n_laps
    firsts = [*np.flatnonzero(_changes(samples.run)), len(samples.run)]
    pieces = [(np.empty(0, dtype=np.intp), *np.empty((3, 0)))]
    for first, last in pairwise(firsts):
        run_id = samples.run_ids[int(samples.run[first])]
        if run_id in of_run:
            ends, interval_s = samples.ends_s[first:last], samples.interval_s[first:last]
            row, piece_s, begins_at, ends_at = _pieces(ends - interval_s, ends, *of_run[run_id])
            pieces.append((row + first, piece_s / interval_s[row], _rounded(begins_at), _rounded(ends_at)))
    return _Pieces(*(np.concatenate(parts) for parts in zip(*pieces, strict=True)))


def _pieces(
    begins_s: Array, ends_s: Array, n_before: Array, lap_begins: Array, lap_ends: Array
) -> tuple[npt.NDArray[np.intp], Array, Array, Array]:
    """The pieces of the intervals of one run: which interval, how long, and where it lies, counted in laps."""
    first_lap = np.searchsorted(lap_ends, begins_s, side="right")
    n_laps = np.maximum(np.searchsorted(lap_begins, ends_s, side="left") - first_lap, 0)
    row = np.repeat(np.arange(len(ends_s)), n_laps)
    lap = first_lap[row]
    for piece in np.flatnonzero(row[1:] == row[:-1]) + 1:  # few intervals lie in more than one lap
        lap[piece] = lap[piece - 1] + 1
    lap_began, lap_ended, laps_before = lap_begins[lap], lap_ends[lap], n_before[lap]
    begins, ends = np.maximum(begins_s[row], lap_began), np.minimum(ends_s[row], lap_ended)
    length_s = lap_ended - lap_began
    return (
        row,
        ends - begins,
        laps_before + (begins - lap_began) / length_s,
        laps_before + (ends - lap_began) / length_s,
    )


def lagged_speed_m_s(samples: pl.DataFrame) -> Array:
    """Speed smoothed as heart rate follows it (`HEART_RATE_LAG_S`), NaN where not run; see `_Rows`.

    Args:
        samples: rows of the table `samples`, of any number of runs.

    Returns:
        A value for each sample that stands for some time, in order of run and time.
    """
    return _Rows(samples).lagged_speed_m_s()

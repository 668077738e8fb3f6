"""Stage `splits`: samples → one row per kilometre of a run (or another split length), and one row per lap.

Boundaries are interpolated between samples, and sums over the pieces are taken here; `sql/splits.sql` makes means of
them, weighted by time over running samples, and flight time, duty factor and step length from the means of their own
row. Kilometres and laps differ only in where their boundaries are. Speed is also smoothed as heart rate follows it.
Stiffness is added for level splits of athletes whose mass is known (`pipeline/methods/spring_mass.py`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from itertools import islice
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.sparse import csr_array

from pipeline.core.arrays import Array
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import left_out
from pipeline.core.queries import run_query
from pipeline.formats import Recording
from pipeline.methods.spring_mass import with_stiffness

#: Heart rate follows treadmill speed with this time constant: 55.7 s at moderate and 59.5 s at vigorous intensity, no
#: significant difference (24 men; BioMedical Engineering OnLine 2015, doi 10.1186/s12938-015-0112-7, abstract read).
HEART_RATE_LAG_S = 57.6
#: A longer time between samples than they stand for is a pause [s]; less is rounding.
PAUSE_S = 0.5


#: Readings whose variability inside a split is kept.
VARIED = ("cadence_spm", "contact_time_ms")


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
            runs.select("run_id", "athlete_id", "altitude", "speed_source"), on="run_id", how="left"
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
    laps = enumerate(recording.laps, start=1)
    rows = [(run_id, number, begin - started_s, end - started_s) for number, (begin, end) in laps]
    return pl.DataFrame(rows, schema=LAPS, orient="row")


def means(samples: pl.DataFrame, laps: pl.DataFrame, *, split_length_m: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Cut runs into splits and into laps; the same rows without `athlete_id` and stiffness."""
    return _apart(_means(samples, laps, split_length_m, BUILT_IN))


def _means(samples: pl.DataFrame, laps: pl.DataFrame, split_length_m: float, registry: Registry) -> pl.DataFrame:
    """The rows of both, told apart by `is_lap`: to prepare the query takes longer than to run it."""
    lagged = with_lagged_speed(samples)
    of_splits, of_laps = _of_splits(lagged, split_length_m), _of_laps(lagged, laps)
    pieces = _Pieces(*(np.concatenate(both) for both in zip(of_splits, of_laps, strict=True)))
    is_lap = np.repeat([False, True], [len(of_splits.row), len(of_laps.row)])
    names_of_runs, run = lagged["run_id"].rle().struct.field("value"), lagged["run_id"].rle_id().to_numpy()[pieces.row]
    is_run = (lagged["gait"] == "run").to_numpy()[pieces.row]
    split = np.maximum(np.ceil(pieces.ends_at) - 1, 0)
    tenth = np.floor(5 * (pieces.ends_at + pieces.begins_at - 2 * split))  # in which its middle lies

    def totals(places: Sequence[npt.NDArray[Any]], columns: Iterable[tuple[str, Array]]) -> pl.DataFrame:
        first = np.flatnonzero(np.any([np.diff(place, prepend=-1) != 0 for place in places], axis=0))
        shares = csr_array((pieces.share, pieces.row, [*first, len(run)]), shape=(len(first), lagged.height))
        names = {
            "is_lap": is_lap[first],
            "run_id": names_of_runs.gather(run[first]),
            "km": split[first].astype(np.int64) + 1,
        }
        n_valid = np.add.reduceat(is_run, first, dtype=np.int64)
        return pl.DataFrame(names | {"n_valid": n_valid} | {name: shares @ values for name, values in columns})

    split_places = (1 * is_lap, run, split)
    of_tenths = totals((*split_places, tenth), islice(_summed(lagged, registry), 2))  # time and distance run
    summed = totals(split_places, _summed(lagged, registry))
    rows = run_query("splits", {"summed": summed, "tenths": of_tenths})
    return _with_own(rows, summed, registry) if registry.own else rows


def _with_own(rows: pl.DataFrame, summed: pl.DataFrame, registry: Registry) -> pl.DataFrame:
    """With mean and share of metrics of one's own, which the query cannot name."""
    key = ["is_lap", "run_id", "km"]
    means = summed.select(
        *key,
        *(
            pl.when(pl.col(f"{own}_known_s") > 0).then(pl.col(f"{own}_s") / pl.col(f"{own}_known_s")).alias(own)
            for own in (metric.column for metric in registry.own)
        ),
        *(
            pl.when(pl.col("running_s") > 0)
            .then(pl.col(f"{metric.column}_known_s") / pl.col("running_s"))
            .alias(metric.share_column)
            for metric in registry.own
        ),
    )
    return rows.join(means, on=key, how="left", maintain_order="left")


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
    return pl.Series(places).round(9).to_numpy()


def _of_splits(samples: pl.DataFrame, split_length_m: float) -> _Pieces:
    """Pieces cut at the ends of splits, time by place. Standing on an end belongs to the split just run."""
    distance_m, covered_m = samples["distance_m"].to_numpy(), samples["covered_m"].to_numpy()
    begins_at, ends_at = _rounded((distance_m - covered_m) / split_length_m), _rounded(distance_m / split_length_m)
    last = np.maximum(np.ceil(ends_at) - 1, 0)
    first = np.minimum(np.floor(begins_at), last)
    n_pieces = (last - first).astype(np.intp) + 1
    row = np.repeat(np.arange(len(first)), n_pieces)
    split = first[row] + np.arange(len(row)) - np.repeat(np.cumsum(n_pieces) - n_pieces, n_pieces)
    begins, ends = np.maximum(begins_at[row], split), np.minimum(ends_at[row], split + 1)
    is_cut = n_pieces[row] > 1
    share = np.divide(ends - begins, (ends_at - begins_at)[row], out=np.ones(len(row)), where=is_cut)
    return _Pieces(row, share, begins, ends)


def _summed(samples: pl.DataFrame, registry: Registry) -> Iterator[tuple[str, Array]]:
    """What is summed over intervals, one after the other: memory for all at once takes longer to get than the sums."""
    interval_s, covered_m = samples["interval_s"].to_numpy(), samples["covered_m"].to_numpy()
    gait, slope_pct = samples["gait"], samples["slope_pct"].to_numpy()
    is_run, is_sloped = (gait == "run").to_numpy(), np.isfinite(slope_pct)
    running_s, sloped_pct = np.where(is_run, interval_s, 0.0), np.where(is_sloped, slope_pct, 0.0)
    yield "running_s", running_s
    yield "running_m", np.where(is_run, covered_m, 0.0)
    yield "moving_s", np.where(gait != "stand", interval_s, 0.0)
    yield "length_m", covered_m
    yield "sloped_m", np.where(is_sloped, covered_m, 0.0)
    yield "sloped_pct_m", sloped_pct * covered_m
    yield "sloped_pct2_m", sloped_pct * sloped_pct * covered_m
    yield "climbed_m", np.maximum(sloped_pct, 0.0) * covered_m / 100
    for quantity in (*registry.reading_of, "lagged_speed_m_s"):
        values = samples[quantity].to_numpy()
        is_known = np.isfinite(values)
        yield f"{quantity}_s", np.where(is_known, values, 0.0) * running_s
        yield f"{quantity}_known_s", np.where(is_known, running_s, 0.0)
        if quantity in VARIED:
            yield f"{quantity}_square_s", np.where(is_known, values * values, 0.0) * running_s


def _apart(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    of_splits, of_laps = (rows.filter(is_lap=is_lap).drop("is_lap") for is_lap in (False, True))
    return of_splits, of_laps.rename({"km": "lap"})


def _with_suspicion(rows: pl.DataFrame, quality: pl.DataFrame, split_length_m: float) -> pl.DataFrame:
    """Add `suspicion` to the splits that touch a stretch whose splits do not enter the regressions."""
    stretches = quality.filter(pl.col("suspicion").is_in(left_out())).unique(
        "run_id", keep="first", maintain_order=True
    )
    begins_m = (pl.col("km") - 1) * split_length_m
    touches = (begins_m < 1000 * pl.col("to_km")) & (begins_m + pl.col("length_m") > 1000 * pl.col("from_km"))
    return (
        rows.join(stretches.select("run_id", "suspicion", "from_km", "to_km"), on="run_id", how="left")
        .with_columns(suspicion=pl.when(touches).then("suspicion"))
        .drop("from_km", "to_km")
    )


def _of_laps(samples: pl.DataFrame, laps: pl.DataFrame) -> _Pieces:
    """Pieces cut where laps begin and end; what is outside of every lap is left out.

    Laps differ in duration, so a place counted in laps is not proportional to time across an end. Distance is cut in
    proportion to time. An interval after a pause is taken to lie behind the pause.

    Args:
        samples: in order of run and time.
    """
    of_run = laps.sort("run_id", "begins_s").partition_by("run_id", as_dict=True)
    ends_s, interval_s = samples["elapsed_s"].to_numpy(), samples["interval_s"].to_numpy()
    pieces, first_row = [np.empty((4, 0))], 0
    for n_rows, run_id in samples["run_id"].rle().struct.unnest().iter_rows():
        if (run_id,) in of_run:
            own = slice(first_row, first_row + n_rows)
            row, *rest = _pieces(ends_s[own] - interval_s[own], ends_s[own], of_run[run_id,])
            pieces.append(np.vstack([row + first_row, *rest]))
        first_row += n_rows
    row, piece_s, begins_at, ends_at = np.hstack(pieces)
    rows = row.astype(np.intp)
    return _Pieces(rows, piece_s / interval_s[rows], _rounded(begins_at), _rounded(ends_at))


def _pieces(begins_s: Array, ends_s: Array, laps: pl.DataFrame) -> tuple[Array, Array, Array, Array]:
    """The pieces of the intervals of one run: which interval, how long, and where it lies, counted in laps."""
    lap_begins, lap_ends = laps["begins_s"].to_numpy(), laps["ends_s"].to_numpy()
    first_lap = np.searchsorted(lap_ends, begins_s, side="right")
    n_laps = np.maximum(np.searchsorted(lap_begins, ends_s, side="left") - first_lap, 0)
    row = np.repeat(np.arange(len(ends_s)), n_laps)
    lap = first_lap[row] + np.arange(len(row)) - np.repeat(np.cumsum(n_laps) - n_laps, n_laps)
    begins, ends = np.maximum(begins_s[row], lap_begins[lap]), np.minimum(ends_s[row], lap_ends[lap])
    number, length_s = laps["lap"].to_numpy()[lap] - 1, lap_ends[lap] - lap_begins[lap]
    return (
        row.astype(np.float64),
        ends - begins,
        number + (begins - lap_begins[lap]) / length_s,
        number + (ends - lap_begins[lap]) / length_s,
    )


def with_lagged_speed(samples: pl.DataFrame) -> pl.DataFrame:
    """Add `lagged_speed_m_s` to samples: speed smoothed over `HEART_RATE_LAG_S`, null where not run.

    Every stretch of running begins at its own first speed: what the heart did while the athlete walked or stood is not
    known.

    Args:
        samples: rows of the table `samples`, of any number of runs.
    """
    is_run = pl.col("gait") == "run"
    ordered = samples.filter(pl.col("interval_s") > 0).sort("run_id", "elapsed_s")
    is_after_pause = pl.col("elapsed_s").diff() > pl.col("interval_s") + PAUSE_S
    begins = (is_run != is_run.shift()) | is_after_pause
    microseconds = (1e6 * pl.col("interval_s").cum_sum()).round().cast(pl.Int64)
    return (
        ordered.with_columns(
            stretch=begins.fill_null(value=True).cum_sum().over("run_id"),
            time=microseconds.over("run_id").cast(pl.Datetime("us")),
        )
        .with_columns(
            lagged_speed_m_s=pl.when(is_run).then(
                (pl.col("covered_m") / pl.col("interval_s"))
                .ewm_mean_by("time", half_life=timedelta(seconds=HEART_RATE_LAG_S * math.log(2)))
                .over("run_id", "stretch")
            )
        )
        .drop("stretch", "time")
    )

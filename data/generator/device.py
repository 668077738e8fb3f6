"""What a device makes of a run: which seconds it keeps, what it cannot see, and how coarse it writes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from .fit_writer import Column, DeveloperColumn, Endian, Part, activity_file
from .runner import Run

#: SD of a device's idea of distance between runs, and of quick errors along one [share]. Common practice, no source.
SCALE_SD, QUICK_SD = 0.003, 0.012
#: Over about this time an error of speed lasts [s]: trees, houses and turns last minutes. Common practice, no source.
ERROR_LASTS_S = 120.0
#: A kilometre takes about this time [s]; its mean speed has this share of the error at an instant, for such a process:
#: sqrt(2q + 2q²(exp(-1/q) - 1)), q = ERROR_LASTS_S / KILOMETRE_S.
KILOMETRE_S, KILOMETRE_SHARE = 320.0, 0.699
#: Knots of that error [s].
ERROR_KNOT_S = 20.0
#: Weather, wind and heat in an altitude by pressure: SD [m] over about this time [s], some 0.2 % in the slope of a
#: kilometre. Common practice, no source.
WEATHER_M, WEATHER_S = 1.5, 300.0
#: The second sensor reads contact time longer by this factor. Sensors differ by several percent (Garcia-Pinillos 2019,
#: PLoS One 14:e0222872).
STRAP_FACTOR = 1.04
#: One loss of contact time in this many seconds, on average, each of 20 to 90 s. Common practice, no source.
LOSS_EVERY_S = 1800.0


@dataclass(frozen=True, kw_only=True)
class Device:
    """An invented device.

    Attributes:
        name: as it signs its files.
        format: how its files end: fit, fit.gz, csv.gz (a row a sample) or kilometres.csv (a row a kilometre).
        sampling: "second", or "smart": every 2 to 6 s.
        contact: where contact time stands: "native", "self-described", "both" or "none".
        speed_error_pct: SD of the error of a kilometre's speed [%].
        has_form: whether it knows cadence, vertical oscillation, balance, heart rate and altitude.
        dropout: what it writes where it lost contact time.
        cadence_steps: see `Part`.
        has_enhanced_fields: see `Part`.
        is_compressed: writes compressed timestamps.
        endian: byte order of its files.
        header_size: of its files [bytes].
    """

    name: str
    format: str
    sampling: Literal["second", "smart"]
    contact: Literal["native", "self-described", "both", "none"] = "native"
    speed_error_pct: float = 0.8
    has_form: bool = True
    dropout: Literal["invalid", "zero"] = "invalid"
    cadence_steps: int = 128
    has_enhanced_fields: bool = False
    is_compressed: bool = False
    endian: Endian = "little"
    header_size: Literal[12, 14] = 14


@dataclass(frozen=True)
class Reading:
    """What was read off, one element a kept row; see `runner.Run` for the names and units.

    Attributes:
        columns: name → values; NaN where the device had none.
        pauses: from and to [s].
        second_contact_ms: of the second sensor [ms].
    """

    columns: Mapping[str, Column]
    pauses: tuple[tuple[float, float], ...]
    second_contact_ms: Column = field(default_factory=lambda: np.array([]))


def read_off(run: Run, device: Device, seed: int | list[int]) -> Reading:
    """Record a run.

    Args:
        run: what truly happened.
        device: what records it.
        seed: of all chance in it.

    Returns:
        The kept rows, not yet rounded to what the file format holds.
    """
    rng = np.random.default_rng(seed)
    time_s = run.elapsed_s
    quick = QUICK_SD * _knotted(rng, time_s, 8.0)
    # Chance of its own, so that what was drawn before this error was thought of stays as it was.
    late = np.random.default_rng([*np.atleast_1d(seed), 1])
    slow = device.speed_error_pct / 100 / KILOMETRE_SHARE * _lasting(late, time_s)
    share = 1 + SCALE_SD * rng.standard_normal() + quick + slow
    steps_m = np.diff(run.distance_m, prepend=0.0) * share
    weather = WEATHER_M * _knotted(rng, time_s, WEATHER_S)
    lost = _lost(rng, time_s) | run.is_walking | (run.cadence_spm == 0)
    contact = np.where(lost, 0.0 if device.dropout == "zero" else np.nan, run.contact_time_ms)
    columns = {
        "elapsed_s": time_s,
        "distance_m": _read_late(late, time_s, np.cumsum(steps_m)),
        "speed_m_s": run.speed_m_s * share,
        "altitude_m": np.rint((run.altitude_m + weather) * 5) / 5,
        "heart_rate_bpm": np.rint(run.heart_rate_bpm + 0.7 * rng.standard_normal(len(time_s))),
        "cadence_spm": run.cadence_spm,
        "contact_time_ms": contact,
        "vertical_oscillation_mm": np.where(lost, np.nan, run.vertical_oscillation_mm),
        "contact_balance_pct": np.where(lost, np.nan, run.contact_balance_pct),
    }
    kept = _kept(rng, run, device)
    strap = STRAP_FACTOR * contact * (1 + 0.01 * rng.standard_normal(len(time_s)))
    return Reading({name: values[kept] for name, values in columns.items()}, tuple(run.pauses), strap[kept])


def fit_part(reading: Reading, device: Device, started_unix_s: int, *, sport: str = "running") -> Part:
    """Lay a reading out as a session of a FIT file.

    Args:
        reading: from `read_off`.
        device: the same.
        started_unix_s: start [s since 1970].
        sport: word of the sport.
    """
    columns = dict(reading.columns)
    form: dict[str, Any] = {}
    if device.has_form:
        names = ("altitude_m", "heart_rate_bpm", "contact_time_ms", "vertical_oscillation_mm", "contact_balance_pct")
        form = {name: columns[name] for name in names}
        form["cadence_strides_min"] = columns["cadence_spm"] / 2
    part = Part(
        started_unix_s=started_unix_s,
        elapsed_s=columns["elapsed_s"],
        distance_m=columns["distance_m"],
        speed_m_s=columns["speed_m_s"],
        pauses=reading.pauses,
        sport=sport,
        cadence_steps=device.cadence_steps,
        has_enhanced_fields=device.has_enhanced_fields,
        **form,
    )
    if device.contact in ("self-described", "both"):
        own = DeveloperColumn("Sole contact time", "ms", columns["contact_time_ms"], "uint16")
        strap = reading.second_contact_ms if device.contact == "both" else None
        return replace(part, developer=[own], contact_time_ms=strap)
    return part if device.contact == "native" else replace(part, contact_time_ms=None)


def fit_bytes(parts: list[Part], device: Device) -> bytes:
    """Write the sessions as the device would.

    Args:
        parts: from `fit_part`.
        device: the same.
    """
    return activity_file(
        parts,
        device=device.name,
        endian=device.endian,
        header_size=device.header_size,
        compressed_timestamps=device.is_compressed,
    )


def _kept(rng: np.random.Generator, run: Run, device: Device) -> npt.NDArray[np.int64]:
    """Rows that are written: chosen ones, the ends, and those at the edges of pauses."""
    n_rows = len(run.elapsed_s)
    if device.sampling == "second":
        return np.arange(n_rows)
    chosen = np.cumsum(rng.integers(2, 7, size=n_rows // 2))
    edges = np.searchsorted(run.elapsed_s, np.array([edge for pause in run.pauses for edge in pause]))
    return np.unique(np.concatenate([[0], chosen[chosen < n_rows], edges.astype(np.int64), [n_rows - 1]]))


def _lasting(rng: np.random.Generator, time_s: Column) -> Column:
    """First-order noise of SD 1, correlated over ERROR_LASTS_S."""
    n_knots = int(time_s[-1] // ERROR_KNOT_S) + 2
    kept = float(np.exp(-ERROR_KNOT_S / ERROR_LASTS_S))
    fresh = rng.standard_normal(n_knots).tolist()
    knots = [fresh[0]]
    for shock in fresh[1:]:
        knots.append(kept * knots[-1] + (1 - kept**2) ** 0.5 * shock)
    return np.asarray(np.interp(time_s, ERROR_KNOT_S * np.arange(n_knots), knots), dtype=np.float64)


def _read_late(rng: np.random.Generator, time_s: Column, distance_m: Column) -> Column:
    """Distance as it was up to a second before the whole second that it is written with: the clock of the device."""
    before_s = rng.uniform(0.0, 1.0, size=len(time_s))
    before_s[0] = 0.0
    return np.asarray(np.interp(time_s - before_s, time_s, distance_m), dtype=np.float64)


def _lost(rng: np.random.Generator, time_s: Column) -> npt.NDArray[np.bool_]:
    lost = np.zeros(len(time_s), dtype=np.bool_)
    for start in rng.uniform(0, time_s[-1], size=rng.poisson(time_s[-1] / LOSS_EVERY_S)):
        lost |= (time_s >= start) & (time_s < start + rng.uniform(20, 90))
    return lost


def _knotted(rng: np.random.Generator, time_s: Column, knot_s: float) -> Column:
    n_knots = int(time_s[-1] // knot_s) + 2
    return np.asarray(np.interp(time_s, knot_s * np.arange(n_knots), rng.standard_normal(n_knots)), dtype=np.float64)

"""Recordings with faults of sensors, clocks and positions, each of a run that is known to the second.

Shares no code with `pipeline`. A run is made first, then a fault is put into what its device would have written; the
truth stays with the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from data.generator.fit_writer import run_file

Array = npt.NDArray[np.float64]

START = datetime(2026, 4, 5, 7, 0, tzinfo=UTC)
EARTH_M = 6_371_008.8
COURSE_RADIUS_M = 900.0
#: Change of contact time and cadence per 10 km, as a share of the fresh level.
PLANTED_CONTACT, PLANTED_CADENCE = 0.04, -0.03


@dataclass
class Truth:
    """A run, second by second."""

    start: datetime
    elapsed_s: Array
    distance_m: Array
    speed_m_s: Array
    cadence_spm: Array
    contact_time_ms: Array
    heart_rate_bpm: Array

    @property
    def n(self) -> int:
        return len(self.elapsed_s)

    @property
    def km(self) -> float:
        return float(self.distance_m[-1]) / 1000

    @property
    def duration_s(self) -> float:
        return float(self.elapsed_s[-1])

    def columns(self, **other: Array) -> dict[str, Array]:
        """What a device with a good sensor writes; others in the place of some columns."""
        return {
            "elapsed_s": self.elapsed_s,
            "distance_m": self.distance_m.round(2),
            "cadence_spm": self.cadence_spm.round(1),
            "contact_time_ms": self.contact_time_ms.round(1),
            "heart_rate_bpm": self.heart_rate_bpm.round(),
            **other,
        }


def run(km: float = 10.0, *, day: int = 0, seed: int = 1, speed_m_s: float = 3.0) -> Truth:
    """A run whose form drifts as planted, at a speed that varies, with the scatter of a watch."""
    draws = np.random.default_rng(seed)
    n = int(1.4 * 1000 * km / speed_m_s)
    along = np.arange(n) / n
    wave = 0.07 * np.sin(2 * np.pi * (3 * along + draws.uniform())) + 0.03 * np.sin(2 * np.pi * 11 * along)
    speed = speed_m_s * (1 + wave)
    distance = np.concatenate([[0.0], np.cumsum(speed)[:-1]])
    n = int(np.searchsorted(distance, 1000 * km)) + 1
    speed, distance = speed[:n], distance[:n]
    relative, ten_km = speed / 3.0, distance / 10_000
    heart = 148 + 14 * (1 - np.exp(-np.arange(n) / 300)) + np.cumsum(draws.normal(0, 0.05, n))
    return Truth(
        START + timedelta(days=day),
        np.arange(n, dtype=np.float64),
        distance,
        speed,
        172 * relative**0.12 * (1 + PLANTED_CADENCE * ten_km) + draws.normal(0, 1.2, n),
        245 * relative**-0.6 * (1 + PLANTED_CONTACT * ten_km) + draws.normal(0, 3, n),
        heart + draws.normal(0, 0.7, n),
    )


# --- Files ------------------------------------------------------------------------------------------------------------


def csv_file(truth: Truth, **other: Array) -> bytes:
    """A row per second; missing where a value is NaN."""
    columns = truth.columns(**other)
    times = [f"{truth.start + timedelta(seconds=float(s)):%Y-%m-%dT%H:%M:%SZ}" for s in columns.pop("elapsed_s")]
    lines = [",".join(["time_utc", *columns])]
    for place, time in enumerate(times):
        cells = ("" if np.isnan(values[place]) else f"{values[place]:g}" for values in columns.values())
        lines.append(",".join([time, *cells]))
    return "\n".join(lines).encode()


def fit_file(truth: Truth, *, cadence_field: Array, **other: Array) -> bytes:
    """Records per second.

    Args:
        cadence_field: what the device writes where strides of one leg per minute are meant.
    """
    columns = truth.columns(**other)
    return run_file(
        int(truth.start.timestamp()),
        columns["elapsed_s"],
        columns["distance_m"],
        cadence_strides_min=cadence_field,
        contact_time_ms=columns["contact_time_ms"],
        heart_rate_bpm=columns["heart_rate_bpm"],
    )


def positions(distance_m: Array) -> tuple[Array, Array]:
    """Latitude and longitude on a circle that is run round and round."""
    angle = distance_m / COURSE_RADIUS_M
    north, east = COURSE_RADIUS_M * np.sin(angle), COURSE_RADIUS_M * (1 - np.cos(angle))
    latitude = 48.0 + np.degrees(north / EARTH_M)
    return latitude, 9.0 + np.degrees(east / (EARTH_M * np.cos(np.radians(latitude))))


def gpx_file(
    truth: Truth, latitude: Array, longitude: Array, *, cadence: Array | None = None, times: list[str] | None = None
) -> bytes:
    """A track of positions.

    Args:
        cadence: what the device writes as `cad`; None for nothing.
        times: of the points, as written; None for those of the run.
    """
    if times is None:
        times = [f"{truth.start + timedelta(seconds=float(s)):%Y-%m-%dT%H:%M:%SZ}" for s in truth.elapsed_s]
    points = []
    for place, time in enumerate(times):
        cad = "" if cadence is None else f"<extensions><cad>{cadence[place]:.0f}</cad></extensions>"
        points.append(
            f'<trkpt lat="{latitude[place]:.7f}" lon="{longitude[place]:.7f}"><time>{time}</time>{cad}</trkpt>'
        )
    track = f"<trk><type>running</type><trkseg>{''.join(points)}</trkseg></trk>"
    return f'<gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1">{track}</gpx>'.encode()


def tcx_file(truth: Truth, *, run_cadence: Array) -> bytes:
    """Track points with distance and the extension's `RunCadence`, as the device writes it."""
    points = []
    for place, second in enumerate(truth.elapsed_s):
        time = f"{truth.start + timedelta(seconds=float(second)):%Y-%m-%dT%H:%M:%SZ}"
        points.append(
            f"<Trackpoint><Time>{time}</Time><DistanceMeters>{truth.distance_m[place]:.2f}</DistanceMeters>"
            f"<Extensions><TPX><RunCadence>{run_cadence[place]:.0f}</RunCadence></TPX></Extensions></Trackpoint>"
        )
    activity = f'<Activity Sport="Running"><Lap><Track>{"".join(points)}</Track></Lap></Activity>'
    return f"<TrainingCenterDatabase><Activities>{activity}</Activities></TrainingCenterDatabase>".encode()


# --- Faults -----------------------------------------------------------------------------------------------------------


def stuck(values: Array, truth: Truth, from_km: float, to_km: float = np.inf) -> Array:
    """The value at a distance, written again and again from there on."""
    km = truth.distance_m / 1000
    frozen = (km >= from_km) & (km < to_km)
    return np.where(frozen, values[int(np.argmax(frozen))], values)


def frozen_distance(truth: Truth, from_m: float, to_m: float) -> Array:
    """Distance as a watch counts it that loses its satellites, and makes good for it at once."""
    inside = (truth.distance_m > from_m) & (truth.distance_m < to_m)
    held = truth.distance_m[int(np.argmax(inside)) - 1]
    return np.where(inside, held, truth.distance_m).round(2)


def local_times(truth: Truth, set_back_after_s: float) -> list[str]:
    """Times of a clock that shows local time and is set back by an hour, without a zone."""
    shift_s = np.where(truth.elapsed_s > set_back_after_s, -3600.0, 0.0)
    return [f"{truth.start + timedelta(seconds=float(s)):%Y-%m-%dT%H:%M:%S}" for s in truth.elapsed_s + shift_s]


@dataclass
class Case:
    """An inbox file and the run that it is of."""

    name: str
    content: bytes
    truth: Truth
    about: Mapping[str, float] = field(default_factory=dict)

    @property
    def athlete_id(self) -> str:
        return self.name.partition("/")[0]


def cases() -> list[Case]:
    """All of them, one folder per fault."""
    ten = run(10)
    latitude, longitude = positions(ten.distance_m)
    lost = (ten.distance_m > 4000) & (ten.distance_m < 4180)
    half, twice = ten.cadence_spm / 2, 2 * ten.cadence_spm
    locked = np.where((ten.distance_m > 3000) & (ten.distance_m < 6000), ten.cadence_spm, ten.heart_rate_bpm).round()
    fast = run(10, speed_m_s=1000 / 140, seed=3)
    slipped = np.where(ten.distance_m > 6000, 0.88, 1.0) * ten.contact_time_ms
    made = [
        Case("good/a.csv", csv_file(ten), ten),
        Case("astray/a.gpx", gpx_file(ten, _moved(latitude, 1500), longitude), ten, {"n_astray": 1}),
        Case("astray-at-the-start/a.gpx", gpx_file(ten, _moved(latitude, 0), longitude), ten, {"n_astray": 1}),
        Case(
            "astray-for-a-minute/a.gpx",
            gpx_file(ten, np.where(lost, latitude + 0.02, latitude), longitude),
            ten,
            {"n_astray": int(lost.sum())},
        ),
        Case("one-foot/a.csv", csv_file(ten, cadence_spm=half), ten),
        Case("both-feet-fit/a.fit", fit_file(ten, cadence_field=ten.cadence_spm), ten),
        Case("both-feet-gpx/a.gpx", gpx_file(ten, latitude, longitude, cadence=ten.cadence_spm), ten),
        Case("both-feet-tcx/a.tcx", tcx_file(ten, run_cadence=ten.cadence_spm), ten),
        Case("twice/a.csv", csv_file(ten, cadence_spm=twice), ten),
        Case("tunnel/a.csv", csv_file(ten, distance_m=frozen_distance(ten, 3200, 3680)), ten),
        Case(
            "tunnel-fit/a.fit",
            fit_file(ten, cadence_field=half.round(), distance_m=frozen_distance(ten, 3200, 3680)),
            ten,
        ),
        Case("too-fast/a.csv", csv_file(fast), fast),
        Case("locked/a.csv", csv_file(ten, heart_rate_bpm=locked, cadence_spm=ten.cadence_spm.round()), ten),
        Case("slipped/a.csv", csv_file(ten, contact_time_ms=slipped), ten, {"step_km": 6.0}),
        Case(
            "summer-time/a.gpx",
            gpx_file(ten, latitude, longitude, cadence=half, times=local_times(ten, 1500)),
            ten,
        ),
    ]
    for name, n_stuck in (("stuck", 4), ("never-stuck", 0)):
        for number in range(8):
            truth = run(12, day=number, seed=10 + number, speed_m_s=2.8 + 0.05 * number)
            faulty = (
                {
                    "contact_time_ms": stuck(truth.contact_time_ms, truth, 5).round(1),
                    "cadence_spm": stuck(truth.cadence_spm, truth, 5).round(1),
                }
                if number < n_stuck
                else {}
            )
            made.append(Case(f"{name}/{number}.csv", csv_file(truth, **faulty), truth))
    for number in range(8):
        truth = run(12, day=number, seed=30 + number, speed_m_s=2.8 + 0.05 * number)
        counted_m = np.cumsum(truth.cadence_spm * np.diff(truth.elapsed_s, prepend=0) / 60)
        # A fixed length of steps, by which the whole run is as long as it was.
        made_of_steps = (counted_m * truth.distance_m[-1] / counted_m[-1]).round(2)
        made.append(Case(f"indoors/{number}.csv", csv_file(truth, distance_m=made_of_steps), truth))
    return made


def _moved(latitude: Array, place: int) -> Array:
    """One position about 55 km away."""
    return np.where(np.arange(len(latitude)) == place, latitude + 0.5, latitude)

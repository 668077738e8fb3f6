"""Recordings of one invented run with something odd about each, as text: this shares no code with the pipeline.

The truth is a run second by second. Writers turn it into files as devices and programs do, with a clock that is off,
steps of one foot, a treadmill's distance, or no distance at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

Column = npt.NDArray[np.float64]

#: Of one degree of latitude on a sphere of the Earth's mean radius, 6371.0088 km (IUGG).
_M_PER_DEGREE = 6_371_008.8 * np.pi / 180


@dataclass(frozen=True)
class Truth:
    """A run as it was: a value per second, the first at its start."""

    began_at: datetime
    distance_m: Column
    cadence_spm: Column
    contact_time_ms: Column

    @property
    def n_seconds(self) -> int:
        return len(self.distance_m)

    @property
    def distance_km(self) -> float:
        return float(self.distance_m[-1]) / 1000

    def at(self, second: int, *, clock_off_s: float = 0.0) -> datetime:
        """What a clock shows at a second of the run."""
        return self.began_at + timedelta(seconds=second + clock_off_s)

    def contact_time_of_km(self, km: int) -> float:
        """Mean contact time of a kilometre [ms]."""
        inside = (self.distance_m > 1000 * (km - 1)) & (self.distance_m <= 1000 * km)
        return float(self.contact_time_ms[inside].mean())


def run(began_at: str = "2026-03-14T09:00:00", *, km: float = 5.0, seed: int = 3) -> Truth:
    """A run whose pace wanders, so that each minute of it can be told from every other one."""
    draws = np.random.default_rng(seed)
    n_seconds = int(1000 * km / 3) + 1
    wander = np.convolve(draws.normal(0, 1, n_seconds + 40), np.ones(41) / 41, mode="valid")
    speed_m_s = 3.0 + 0.25 * wander / wander.std()
    distance_m = np.concatenate([[0.0], np.cumsum(speed_m_s[1:])])
    return Truth(
        datetime.fromisoformat(began_at).replace(tzinfo=UTC),
        distance_m,
        168 + 12 * (speed_m_s - 3.0),
        250 - 40 * (speed_m_s - 3.0) + 8 * distance_m / distance_m[-1],
    )


def csv(
    truth: Truth,
    *,
    clock_off_s: float = 0.0,
    cadence: float | None = 1.0,
    distance: float = 1.0,
    contact: bool = False,
    local: str | None = None,
    every_s: int = 1,
) -> str:
    """A CSV file.

    Args:
        truth: the run.
        clock_off_s: by how much its clock is fast.
        cadence: what the cadence is multiplied with; None leaves it out.
        distance: likewise of the distance.
        contact: whether it has contact times.
        local: write times without a zone, as a clock in this zone shows them.
        every_s: a row each so many seconds.
    """
    from zoneinfo import ZoneInfo  # noqa: PLC0415 -- only for times of a place

    header = [
        "time_utc",
        "distance_m",
        *(["cadence_spm"] if cadence else []),
        *(["contact_time_ms"] if contact else []),
    ]
    rows = []
    for second in range(0, truth.n_seconds, every_s):
        instant = truth.at(second, clock_off_s=clock_off_s)
        shown = f"{instant:%Y-%m-%dT%H:%M:%SZ}"
        if local is not None:
            shown = f"{instant.astimezone(ZoneInfo(local)):%Y-%m-%dT%H:%M:%S}"
        cells = [shown, f"{truth.distance_m[second] * distance:.2f}"]
        cells += [f"{truth.cadence_spm[second] * cadence:.1f}"] if cadence else []
        cells += [f"{truth.contact_time_ms[second]:.1f}"] if contact else []
        rows.append(",".join(cells))
    return "\n".join([",".join(header), *rows]) + "\n"


def steps(truth: Truth, *, clock_off_s: float = 0.0, length: bool = False) -> str:
    """A row per step of an insole: its time, contact and flight; no distance, unless by the length of steps."""
    elapsed_s, rows = 0.0, []
    while elapsed_s < truth.n_seconds - 1:
        second = int(elapsed_s)
        step_s = 60 / truth.cadence_spm[second]
        elapsed_s += step_s
        instant = truth.began_at + timedelta(seconds=elapsed_s + clock_off_s)
        contact_ms = truth.contact_time_ms[second]
        cells = [
            f"{instant:%Y-%m-%dT%H:%M:%S}.{instant.microsecond // 1000:03}Z",
            "left" if len(rows) % 2 else "right",
            f"{contact_ms:.1f}",
            f"{1000 * step_s - contact_ms:.1f}",
        ]
        if length:
            here_m, before_m = (
                np.interp(at, np.arange(truth.n_seconds), truth.distance_m) for at in (elapsed_s, elapsed_s - step_s)
            )
            cells.append(f"{here_m - before_m:.4f}")
        rows.append(",".join(cells))
    header = "time_utc,foot,contact_time_ms,flight_time_ms" + (",step_length_m" if length else "")
    return "\n".join([header, *rows]) + "\n"


def tcx(*activities: tuple[str, Truth], clock_off_s: float = 0.0) -> str:
    """A TCX file of activities by the word for their sport, such as a ride and the run after it."""
    parts = []
    for sport, truth in activities:
        points = [
            f"<Trackpoint><Time>{truth.at(second, clock_off_s=clock_off_s):%Y-%m-%dT%H:%M:%SZ}</Time>"
            f"<DistanceMeters>{truth.distance_m[second]:.2f}</DistanceMeters></Trackpoint>"
            for second in range(truth.n_seconds)
        ]
        parts.append(f'<Activity Sport="{sport}"><Lap><Track>{"".join(points)}</Track></Lap></Activity>')
    return (
        '<?xml version="1.0"?><TrainingCenterDatabase><Activities>'
        + "".join(parts)
        + "</Activities></TrainingCenterDatabase>"
    )


def gpx(truth: Truth, *, kind: str = "running", clock_off_s: float = 0.0, slope_pct: float | None = None) -> str:
    """A GPX file due north along a meridian, with altitude on a hill of even slope if it is given."""
    climb_m = truth.distance_m * (slope_pct or 0.0) / 100
    heights = ["" if slope_pct is None else f"<ele>{200 + one:.2f}</ele>" for one in climb_m]
    points = [
        f'<trkpt lat="{50 + truth.distance_m[second] / _M_PER_DEGREE:.9f}" lon="8.0">'
        f"{heights[second]}<time>{truth.at(second, clock_off_s=clock_off_s):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
        for second in range(truth.n_seconds)
    ]
    return f'<?xml version="1.0"?><gpx><trk><type>{kind}</type><trkseg>{"".join(points)}</trkseg></trk></gpx>'

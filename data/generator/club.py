"""The demo club: keepers of the lights on invented islands, their season, and whatever is odd in their inbox.

What is planted is in `settings.toml`; this module lays the season out, lets everyone run, and writes the inbox as
design.md describes it. Nothing depends on the clock, the platform or the order of folders.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import struct
import tomllib
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from .device import Device, Reading, fit_bytes, fit_part, read_off
from .fit_writer import Column, Part, run_file
from .runner import Athlete, Course, Drift, Pacing, Run, simulate

SETTINGS = Path(__file__).with_name("settings.toml")

#: A run of these many kilometres goes at the athlete's usual speed; each more costs this much of it [%]. Common
#: practice, no source.
USUAL_KM, SLOWER_PCT_PER_KM = 13.0, 0.4
#: A race goes this much faster. Common practice, no source.
RACE_FACTOR = 1.05
#: The last of each this many training runs of an athlete has no line in sessions.csv.
UNNOTED = 8
#: Altman and Davis 2012 (Gait Posture 35:298-300, from memory): rearfoot above the one, forefoot below the other
#: [degrees].
REARFOOT_ABOVE_DEG, FOREFOOT_BELOW_DEG = 8.0, -1.6
COUNTED_KM = (5, 15)
HEART_NOTE = "the heart creeps up in a straight line, whatever the feet do"

SESSION_COLUMNS = ("file", "athlete_id", "started_at_utc", "kind", "surface", "shoe_id", "note")
ROSTER_COLUMNS = (
    "athlete_id",
    "display_name",
    "mass_kg",
    "height_m",
    "leg_length_m",
    "born_year",
    "sex",
    "squad",
    "note",
)
SHOE_COLUMNS = ("shoe_id", "name", "heel_toe_drop_mm", "heel_stack_mm", "mass_g")
STRIKE_COLUMNS = (
    "athlete_id", "started_at_utc", "date", "distance_km", "foot", "strike", "angle_deg", "method", "note",
)  # fmt: skip
COMPLAINT_COLUMNS = ("athlete_id", "from_date", "to_date", "site", "note")
EVENT_COLUMNS = ("athlete_id", "date", "kind", "note")
TRUTH_COLUMNS = ("athlete_id", "metric", "planted_drift_pct_per_10km", "onset_km", "note")
NOTEBOOK_COLUMNS = (
    "distance_m", "speed_m_s", "altitude_m", "heart_rate_bpm", "cadence_spm", "contact_time_ms",
    "vertical_oscillation_mm", "contact_balance_pct",
)  # fmt: skip
KILOMETRE_COLUMNS = ("km", "duration_s", "cadence_spm", "contact_time_ms", "started_at_utc")

Files = dict[str, bytes]
Settings = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class PlannedRun:
    """One run of the season, before it is run.

    Attributes:
        athlete_id: who.
        number: of the athlete's runs.
        started_at_utc: when.
        name: of the file, without folder and ending.
        km: length [km].
        course: kind of course.
        plan: name of the plan.
        device: name of the device.
        kind: race or training.
        surface: in the words of sessions.csv.
        shoe_id: in shoes.csv.
    """

    athlete_id: str
    number: int
    started_at_utc: dt.datetime
    name: str
    km: float
    course: str
    plan: str
    device: str
    kind: str
    surface: str
    shoe_id: str

    @property
    def started_unix_s(self) -> int:
        """Start [s since 1970]."""
        return int(self.started_at_utc.timestamp())


def read_settings(path: Path = SETTINGS) -> Settings:
    """Read the generator's settings.

    Args:
        path: of the TOML file.
    """
    return tomllib.loads(path.read_text(encoding="utf-8"))


def write_club(folder: Path, settings: Settings | None = None) -> None:
    """Write `club/` and `truth.csv` into a folder.

    Args:
        folder: exists; files of an earlier time are overwritten, others left alone.
        settings: of the generator; those of the demo club if none.
    """
    settings = settings or read_settings()
    for name, content in club_files(settings).items():
        path = folder / "club" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    (folder / "truth.csv").write_bytes(_csv(TRUTH_COLUMNS, truth_rows(settings)))


def club_files(settings: Settings, athlete_ids: Sequence[str] | None = None) -> Files:
    """Make every file of the inbox.

    Args:
        settings: of the generator.
        athlete_ids: make the recordings of these athletes only.

    Returns:
        Path inside the inbox → content.
    """
    files: Files = {}
    sessions: list[dict[str, Any]] = []
    for athlete_id in athlete_ids or settings["athletes"]:
        for planned in planned_runs(settings, athlete_id):
            name, content = _recorded(settings, planned)
            files[name] = content
            sessions += _session_rows(planned, name)
    _add_odd_files(settings, files)
    files["roster.csv"] = _csv(ROSTER_COLUMNS, _roster_rows(settings))
    files["sessions.csv"] = _csv(SESSION_COLUMNS, sessions)
    files["shoes.csv"] = _csv(SHOE_COLUMNS, settings["shoes"])
    files["strikes.csv"] = _csv(STRIKE_COLUMNS, _strike_rows(settings))
    files["complaints.csv"] = _csv(COMPLAINT_COLUMNS, settings["complaints"])
    files["events.csv"] = _csv(EVENT_COLUMNS, settings["events"])
    return files


def planned_runs(settings: Settings, athlete_id: str) -> list[PlannedRun]:
    """Lay out an athlete's season: training runs spread over it, and the races.

    Args:
        settings: of the generator.
        athlete_id: whose.

    Returns:
        The runs in order of time.
    """
    keeper = settings["athletes"][athlete_id]
    rng = np.random.default_rng([settings["seed"], _number_of(athlete_id), 1])
    lengths = keeper["km"]
    waits = keeper.get("starts_after_days", 0)
    spacing = (settings["days"] - waits) / len(lengths)
    race_days = {race["started_at_utc"].date() for race in settings["races"]}
    runs = []
    for number, km in enumerate(lengths):
        day = settings["first_day"] + dt.timedelta(days=waits + round(number * spacing + rng.integers(0, 3)))
        day += dt.timedelta(days=int(day in race_days))
        minute = int(rng.integers(0, 14 * 60))
        started = dt.datetime.combine(day, dt.time(5, 30), dt.UTC) + dt.timedelta(minutes=minute, seconds=17)
        course, plan = _cycled(keeper["courses"], number), _cycled(keeper["plans"], number)
        surface = keeper.get("surface", "sand" if course == "flat" and number % 5 == 4 else "road")
        word = "long" if km >= 18 else "hills" if "climb" in course else {"even": "easy"}.get(plan, plan)
        runs.append(
            PlannedRun(
                athlete_id=athlete_id,
                number=number,
                started_at_utc=started,
                name=f"{day.isoformat()}-{word.replace('_', '-')}",
                km=float(km),
                course=course,
                plan=plan,
                device=_cycled(keeper["devices"], number),
                kind="training",
                surface=surface,
                shoe_id=_cycled(keeper["shoes"], number),
            )
        )
    for place, race in enumerate(settings["races"] if "race_plan" in keeper else ()):
        started = race["started_at_utc"]
        runs.append(
            PlannedRun(
                athlete_id=athlete_id,
                number=len(lengths) + place,
                started_at_utc=started,
                name=f"{started.date().isoformat()}-{race['name']}",
                km=race["km"],
                course=race["course"],
                plan=keeper["race_plan"],
                device=keeper.get("race_device", keeper["devices"][0]),
                kind="race",
                surface="road",
                shoe_id=keeper["shoes"][0],
            )
        )
    return sorted(runs, key=lambda run: run.started_at_utc)


def athlete_of(settings: Settings, athlete_id: str) -> Athlete:
    """An athlete's true parameters.

    Args:
        settings: of the generator.
        athlete_id: whose.
    """
    form = dict(settings["athletes"][athlete_id]["form"])
    drifts = {name: Drift(**drift) for name, drift in form.pop("drifts", {}).items()}
    return Athlete(drifts=drifts, **form)


def run_of(settings: Settings, planned: PlannedRun) -> Run:
    """Run a planned run.

    Args:
        settings: of the generator.
        planned: from `planned_runs`.
    """
    keeper = settings["athletes"][planned.athlete_id]
    seed = [settings["seed"], _number_of(planned.athlete_id), 2, planned.number]
    rng = np.random.default_rng([*seed, 1])
    speed = keeper["speed_m_s"] * (1 + keeper["speed_sd_pct"] / 100 * float(np.clip(rng.standard_normal(), -2, 2)))
    speed *= (1 - SLOWER_PCT_PER_KM / 100 * (planned.km - USUAL_KM)) * (RACE_FACTOR if planned.kind == "race" else 1)
    length_m = 1000 * planned.km + float(rng.integers(20, 420))
    course = Course.named(planned.course, length_m, phase=float(rng.uniform(0, 2 * np.pi)))
    pacing = _pacing(settings["plans"][planned.plan], length_m, speed)
    return simulate(athlete_of(settings, planned.athlete_id), course, pacing, [*seed, 2])


def truth_rows(settings: Settings) -> list[dict[str, Any]]:
    """What is planted in each quantity, at equal speed and slope.

    Cadence, contact time and heart rate are set. Step length is speed over cadence, duty factor is contact time times
    cadence: their drifts follow.

    Args:
        settings: of the generator.
    """
    rows = []
    for athlete_id, keeper in settings["athletes"].items():
        drifts = athlete_of(settings, athlete_id).drifts
        cadence, contact = drifts.get("cadence_spm", Drift()), drifts.get("contact_time_ms", Drift())
        heart = drifts.get("heart_rate_bpm", Drift())
        step_pct = 100 * (1 / (1 + cadence.pct_per_10km / 100) - 1)
        duty_pct = 100 * ((1 + cadence.pct_per_10km / 100) * (1 + contact.pct_per_10km / 100) - 1)
        onset_km = cadence.onset_km or contact.onset_km
        planted = [
            ("cadence_spm", cadence.pct_per_10km, cadence.onset_km),
            ("contact_time_ms", contact.pct_per_10km, contact.onset_km),
            ("duty_factor", duty_pct, onset_km),
            ("step_length_m", step_pct, onset_km),
            ("heart_rate_bpm", heart.pct_per_10km, heart.onset_km),
        ]
        for metric, pct, begins_km in planted:
            note = HEART_NOTE if metric == "heart_rate_bpm" and pct else keeper["truth_note"]
            row = {"athlete_id": athlete_id, "metric": metric, "planted_drift_pct_per_10km": f"{round(pct, 3) + 0:g}"}
            rows.append(row | {"onset_km": f"{begins_km:g}" if begins_km else "", "note": note})
    return rows


def write_season(folder: Path, n_athletes: int, n_runs: int, hours: float, seed: int = 1) -> None:
    """Write an inbox of FIT files with one record a second, quickly, for benches and tests of size.

    Args:
        folder: the inbox; is made.
        n_athletes: athletes `runner-001` and so on, each with form and drift of their own.
        n_runs: runs in all, dealt out evenly.
        hours: duration of each run [h].
        seed: of all chance in it.
    """
    first = dt.datetime(2026, 1, 5, 6, tzinfo=dt.UTC)
    for number in range(n_runs):
        place = number % n_athletes
        rng = np.random.default_rng([seed, place])
        speed = float(rng.uniform(2.7, 3.6))
        athlete = Athlete(
            reference_speed_m_s=speed,
            cadence_spm=float(rng.uniform(160, 182)),
            contact_time_ms=float(rng.uniform(220, 270)),
            drifts={
                "cadence_spm": Drift(float(rng.choice([-2.0, 0.0, 2.0])), sd=0.5),
                "contact_time_ms": Drift(float(rng.choice([0.0, 3.0, 5.0])), sd=0.7),
                "heart_rate_bpm": Drift(2.5, sd=0.8),
            },
        )
        length_m = 1.2 * speed * hours * 3600
        course = Course.named("rolling", length_m, phase=float(number))
        pacing = Pacing(length_m=length_m, speed_m_s=speed * (1 + 0.02 * (number % 5 - 2)), duration_s=3600 * hours)
        run = simulate(athlete, course, pacing, [seed, number, 1])
        started = first + dt.timedelta(days=number // n_athletes)
        content = run_file(
            int(started.timestamp()),
            run.elapsed_s,
            run.distance_m,
            device="bench watch",
            speed_m_s=run.speed_m_s,
            altitude_m=run.altitude_m,
            heart_rate_bpm=run.heart_rate_bpm,
            cadence_strides_min=run.cadence_spm / 2,
            contact_time_ms=run.contact_time_ms,
            vertical_oscillation_mm=run.vertical_oscillation_mm,
            contact_balance_pct=run.contact_balance_pct,
        )
        path = folder / f"runner-{place + 1:03d}" / f"{started.date().isoformat()}.fit"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


# --- Recordings ------------------------------------------------------------------------------------------------------


def _recorded(settings: Settings, planned: PlannedRun) -> tuple[str, bytes]:
    """Path inside the inbox, and content, of a run's recording."""
    device = Device(**settings["devices"][planned.device])
    run = run_of(settings, planned)
    reading = read_off(run, device, [settings["seed"], _number_of(planned.athlete_id), 3, planned.number])
    if device.format == "kilometres.csv":
        content, ending = _kilometres_csv(reading, planned.started_at_utc), "kilometres.csv"
    elif device.format == "csv.gz":
        content, ending = _gzipped(_samples_csv(reading, planned.started_unix_s)), "csv.gz"
    else:
        content, ending = fit_bytes([fit_part(reading, device, planned.started_unix_s)], device), device.format
        content = _gzipped(content) if ending.endswith(".gz") else content
    # One keeper is tidy and has a folder for each month.
    month = f"{planned.started_at_utc:%Y-%m}/" if planned.athlete_id == "gull" else ""
    return f"{planned.athlete_id}/{month}{planned.name}.{ending}", content


def _pacing(plan: Mapping[str, Any], length_m: float, speed_m_s: float) -> Pacing:
    surges: list[tuple[float, float, float]] = []
    if "surges" in plan:
        one = plan["surges"]
        at_m = 1000.0 * one["from_km"]
        for _ in range(one["n"]):
            turn_m = at_m + one["fast_m"]
            surges.append((at_m, turn_m, one["fast_factor"]))
            at_m = turn_m + one["slow_m"]
            surges.append((turn_m, at_m, one["slow_factor"]))
    walks = plan.get("walks", {"at_km": [], "length_m": 0})
    stands = [plan[name] for name in ("stops", "waits") if name in plan]
    stops = [
        (1000.0 * km, float(stand["duration_s"]), bool(stand["stops_timer"]))
        for stand in stands
        for km in stand["at_km"]
    ]
    return Pacing(
        length_m=length_m,
        speed_m_s=speed_m_s,
        end_change_pct=plan.get("end_change_pct", 0.0),
        change_from=plan.get("change_from", 0.0),
        surges=surges,
        walks=[(1000.0 * km, 1000.0 * km + walks["length_m"]) for km in walks["at_km"]],
        stops=[stop for stop in stops if stop[0] < length_m - 500],
    )


def _samples_csv(reading: Reading, started_unix_s: int) -> bytes:
    """One row a sample: semicolons, decimal commas, units in the header; what is missing is an empty cell."""
    decimals = dict(zip(NOTEBOOK_COLUMNS, (2, 3, 1, 0, 1, 1, 1, 2), strict=True))
    cells = [[f"{_utc(started_unix_s + int(s))}" for s in reading.columns["elapsed_s"]]]
    for name, places in decimals.items():
        column = reading.columns[name].tolist()
        cells.append(["" if math.isnan(value) else f"{value:.{places}f}".replace(".", ",") for value in column])
    lines = [";".join(("time_utc", *NOTEBOOK_COLUMNS)), *(";".join(row) for row in zip(*cells, strict=True))]
    return ("\n".join(lines) + "\n").encode()


def _kilometres_csv(reading: Reading, started_at_utc: dt.datetime) -> bytes:
    """One row a whole kilometre: means over its time; what is left of the last kilometre has no row."""
    columns = reading.columns
    distance_m, elapsed_s = columns["distance_m"], columns["elapsed_s"]
    n_km = int(distance_m[-1] // 1000)
    edges_s = np.interp(1000.0 * np.arange(n_km + 1), distance_m, elapsed_s)
    rows = []
    for km in range(n_km):
        inside = (elapsed_s > edges_s[km]) & (elapsed_s <= edges_s[km + 1])
        rows.append(
            {
                "km": km + 1,
                "duration_s": f"{edges_s[km + 1] - edges_s[km]:.1f}",
                "cadence_spm": f"{np.mean(columns['cadence_spm'][inside]):.1f}",
                "contact_time_ms": f"{np.nanmean(columns['contact_time_ms'][inside]):.1f}",
                "started_at_utc": started_at_utc.strftime("%Y-%m-%dT%H:%M:%SZ"),
            }
        )
    return _csv(KILOMETRE_COLUMNS, rows)


def _add_odd_files(settings: Settings, files: Files) -> None:
    """Add what lies in any inbox: a copy, a file cut short, a ride, a ride and a run in one file."""
    if any(name.startswith("brine/") for name in files):
        first = min(name for name in files if name.startswith("brine/"))
        files["brine/copy-from-the-old-phone.fit.gz"] = files[first]
    if any(name.startswith("tallow/") for name in files):
        whole = _odd_run(settings, "tallow", dt.datetime(2026, 5, 28, 17, 40, tzinfo=dt.UTC), km=12.0)
        device = Device(**settings["devices"]["spare_watch"])
        content = fit_bytes([whole], device)
        files["tallow/2026-05-28-battery-died.fit"] = content[: int(0.55 * len(content))]
    if any(name.startswith("gull/") for name in files):
        device = Device(**settings["devices"]["lamp_watch"])
        ride = _ride(settings, dt.datetime(2026, 4, 3, 15, 5, tzinfo=dt.UTC), km=24.0)
        files["gull/2026-04/2026-04-03-oil-round-by-bicycle.fit.gz"] = _gzipped(fit_bytes([ride], device))
    if any(name.startswith("ember/") for name in files):
        device = Device(**settings["devices"]["lamp_watch"])
        ride = _ride(settings, dt.datetime(2026, 5, 9, 7, 0, tzinfo=dt.UTC), km=18.0)
        runs_from = dt.datetime.fromtimestamp(ride.started_unix_s + ride.elapsed_s[-1] + 150, dt.UTC)
        run = _odd_run(settings, "ember", runs_from, km=11.0)
        files["ember/2026-05-09-ride-then-run.fit.gz"] = _gzipped(fit_bytes([ride, run], device))


def _odd_run(settings: Settings, athlete_id: str, started_at_utc: dt.datetime, *, km: float) -> Part:
    keeper = settings["athletes"][athlete_id]
    planned = replace(
        planned_runs(settings, athlete_id)[0],
        number=100,
        started_at_utc=started_at_utc,
        km=km,
        course="flat",
        plan=keeper["plans"][0],
        device=keeper["devices"][0],
    )
    device = Device(**settings["devices"][planned.device])
    seed = [settings["seed"], _number_of(athlete_id), 3, planned.number]
    return fit_part(read_off(run_of(settings, planned), device, seed), device, planned.started_unix_s)


def _ride(settings: Settings, started_at_utc: dt.datetime, *, km: float) -> Part:
    """A ride: distance, speed, altitude, heart rate and turns of the pedals; nothing that feet do."""
    rider = Athlete(reference_speed_m_s=6.8, heart_rate_bpm=126.0)
    course = Course.named("rolling", 1000 * km, phase=0.4)
    pacing = Pacing(length_m=1000 * km, speed_m_s=6.8)
    started = int(started_at_utc.timestamp())
    run = simulate(rider, course, pacing, [settings["seed"], 4, started % 1000])
    every = np.arange(0, len(run.elapsed_s), 5)

    def kept(values: Column) -> Column:
        return values[every]

    return Part(
        started_unix_s=started,
        elapsed_s=kept(run.elapsed_s),
        distance_m=kept(run.distance_m),
        speed_m_s=kept(run.speed_m_s),
        altitude_m=kept(run.altitude_m),
        heart_rate_bpm=kept(run.heart_rate_bpm),
        cadence_strides_min=np.rint(12 * kept(run.speed_m_s)),
        sport="cycling",
        cadence_steps=1,
    )


# --- The lists next to the recordings --------------------------------------------------------------------------------


def _session_rows(planned: PlannedRun, name: str) -> Iterator[dict[str, Any]]:
    """A line for most runs: of races by athlete and start, of the others by file."""
    if planned.kind == "training" and planned.number % UNNOTED == UNNOTED - 1:
        return
    row = {"athlete_id": planned.athlete_id, "kind": planned.kind, "surface": planned.surface}
    row["shoe_id"] = planned.shoe_id
    if planned.kind == "race":
        yield row | {"started_at_utc": planned.started_at_utc.strftime("%Y-%m-%dT%H:%M:%SZ"), "note": "club race"}
    else:
        yield row | {"file": name}


def _roster_rows(settings: Settings) -> Iterator[dict[str, Any]]:
    """The roster: leg length only where it was measured, that is where the settings give one."""
    for athlete_id, keeper in settings["athletes"].items():
        form = keeper["form"]
        yield {"athlete_id": athlete_id, **{name: keeper.get(name, form.get(name, "")) for name in ROSTER_COLUMNS[1:]}}


def _strike_rows(settings: Settings) -> Iterator[dict[str, Any]]:
    """Video counts of the races; three people counted, each in their own way.

    The first gives start and word, the second date and word ("heel" for rearfoot), the third date and angle.
    """
    for place, race in enumerate(settings["races"]):
        day = race["started_at_utc"].date().isoformat()
        when = (
            {"started_at_utc": race["started_at_utc"].strftime("%Y-%m-%dT%H:%M:%SZ")} if place == 0 else {"date": day}
        )
        for athlete_id, feet in settings["strikes"].items():
            rng = np.random.default_rng([settings["seed"], _number_of(athlete_id), 5, place])
            for km in COUNTED_KM:
                for foot in ("left", "right"):
                    change_deg = feet["change_deg"] if km == COUNTED_KM[-1] else 0.0
                    angle_deg = round(feet[f"{foot}_deg"] + change_deg + 1.2 * float(rng.standard_normal()), 1)
                    row = {"athlete_id": athlete_id, "distance_km": km, "foot": foot, "method": "video", **when}
                    if place == 2:
                        yield row | {"angle_deg": angle_deg}
                    else:
                        word = _strike(angle_deg)
                        yield row | {"strike": "heel" if place == 1 and word == "rearfoot" else word}


def _strike(angle_deg: float) -> str:
    if angle_deg > REARFOOT_ABOVE_DEG:
        return "rearfoot"
    return "forefoot" if angle_deg < FOREFOOT_BELOW_DEG else "midfoot"


# --- Bytes -----------------------------------------------------------------------------------------------------------


def _csv(columns: Sequence[str], rows: Iterator[Mapping[str, Any]] | Sequence[Mapping[str, Any]]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def _gzipped(content: bytes) -> bytes:
    """Pack without time, name or system in the header, which Python's own function leaves to the platform."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = packer.compress(content) + packer.flush()
    return b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x02\xff" + packed + struct.pack("<II", zlib.crc32(content), len(content))


def _cycled(values: Sequence[Any], number: int) -> Any:
    return values[number % len(values)]


def _number_of(athlete_id: str) -> int:
    """A seed of the athlete's own, so that adding one athlete leaves the others as they were."""
    return zlib.crc32(athlete_id.encode())


def _utc(unix_s: int) -> str:
    return dt.datetime.fromtimestamp(unix_s, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

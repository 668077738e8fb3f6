"""The demo club: that it is what its README says, that it can be made again, and that its physics hold together."""

import ast
import csv
import gzip
import io
from collections import defaultdict
from pathlib import Path
from typing import Any

import fitdecode
import fitfast
import numpy as np
import pytest

from data.generator import club, device, runner
from data.generator.runner import Athlete, Course, Drift, Pacing, Run, simulate

DATA = Path(club.__file__).parents[1]
CLUB = DATA / "club"
SETTINGS = club.read_settings()
DAMAGED = "tallow/2026-05-28-battery-died.fit"
METRICS = ["cadence_spm", "contact_time_ms"]
DESIGNED_COLUMNS = {
    "roster": "athlete_id,display_name,mass_kg,height_m,leg_length_m,born_year,sex,squad,note",
    "sessions": "file,athlete_id,started_at_utc,kind,surface,shoe_id,note",
    "shoes": "shoe_id,name,heel_toe_drop_mm,heel_stack_mm,mass_g",
    "strikes": "athlete_id,started_at_utc,date,distance_km,foot,strike,angle_deg,method,note",
    "complaints": "athlete_id,from_date,to_date,site,note",
    "events": "athlete_id,date,kind,note",
}


def unpacked(name: str, content: bytes) -> bytes:
    return gzip.decompress(content) if name.endswith(".gz") else content


def content_of(name: str) -> bytes:
    return unpacked(name, (CLUB / name).read_bytes())


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def recordings(ending: str = "", athlete_id: str = "*") -> list[str]:
    files = (path for path in CLUB.glob(f"{athlete_id}/**/*") if path.is_file())
    return sorted(path.relative_to(CLUB).as_posix() for path in files if ending in path.name)


def fit_recordings(athlete_id: str = "*") -> list[str]:
    return [name for name in recordings(".fit", athlete_id) if name != DAMAGED]


def sports_of(name: str) -> list[int]:
    return [int(sport) for sport in fitfast.records(content_of(name), "session")["sport"]]


def columns_of(name: str) -> dict[str, Any]:
    return fitfast.records(content_of(name))


# --- Made again ------------------------------------------------------------------------------------------------------


def test_making_the_club_again_gives_the_committed_files():
    made = club.club_files(SETTINGS)
    committed = {path.relative_to(CLUB).as_posix() for path in CLUB.rglob("*") if path.is_file()}
    assert committed == set(made)
    different = [name for name in committed if content_of(name) != unpacked(name, made[name])]
    assert different == []


def test_making_an_athlete_twice_gives_the_same_bytes():
    assert club.club_files(SETTINGS, ["brine"]) == club.club_files(SETTINGS, ["brine"])


def test_making_the_truth_again_gives_the_committed_file(tmp_path: Path):
    club.write_club(tmp_path)
    assert (tmp_path / "truth.csv").read_bytes() == (DATA / "truth.csv").read_bytes()


def test_packed_files_carry_neither_time_nor_system():
    heads = {(CLUB / name).read_bytes()[:10] for name in recordings(".gz")}
    assert heads == {bytes.fromhex("1f8b 0800 0000 0000 02ff")}


def test_the_club_stays_small():
    assert sum(path.stat().st_size for path in CLUB.rglob("*") if path.is_file()) < 6_000_000


def test_the_generator_knows_nothing_of_the_pipeline():
    for path in Path(club.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0] in {"pipeline", "flows"}], path


# --- The scenario ----------------------------------------------------------------------------------------------------


def test_the_inbox_has_the_columns_of_the_design():
    for name, columns in DESIGNED_COLUMNS.items():
        assert (CLUB / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0] == columns


def test_every_keeper_has_recordings_a_line_in_the_roster_and_a_truth():
    keepers = set(SETTINGS["athletes"])
    assert {path.name for path in CLUB.iterdir() if path.is_dir()} == keepers
    assert {row["athlete_id"] for row in rows_of(CLUB / "roster.csv")} == keepers
    assert {row["athlete_id"] for row in rows_of(DATA / "truth.csv")} == keepers


def test_every_keeper_but_the_newcomer_has_ten_runs_or_more():
    counts = {athlete_id: len(recordings(athlete_id=athlete_id)) for athlete_id in SETTINGS["athletes"]}
    assert counts.pop("pip") == 2
    assert min(counts.values()) >= 10


def test_the_readme_names_every_keeper_and_every_odd_file():
    readme = (DATA / "README.md").read_text(encoding="utf-8")
    odd = ["battery-died", "copy-from-the-old-phone", "oil-round-by-bicycle", "ride-then-run", ".kilometres.csv"]
    missing = [word for word in [*(f"`{one}`" for one in SETTINGS["athletes"]), *odd] if word not in readme]
    assert missing == []


def test_the_truth_holds_what_the_scenario_promises():
    truth = {(row["athlete_id"], row["metric"]): row for row in rows_of(DATA / "truth.csv")}

    def planted(athlete_id: str) -> list[float]:
        return [float(truth[athlete_id, metric]["planted_drift_pct_per_10km"]) for metric in METRICS]

    for steady in ("tallow", "gull", "pip", "crag", "tarn", "moss"):
        assert planted(steady) == [0, 0]
    assert planted("brine") == [-2.5, 6]
    assert truth["brine", "contact_time_ms"]["onset_km"] == "9"
    assert planted("ember") == [2.5, -3]
    assert planted("quill") == [0, 3]
    assert planted("wick") == [-1.5, 3.5]


def test_one_file_is_an_exact_copy_of_another():
    first = min(recordings(athlete_id="brine"))
    assert (CLUB / "brine/copy-from-the-old-phone.fit.gz").read_bytes() == (CLUB / first).read_bytes()


def test_one_file_is_a_ride_and_one_a_ride_and_a_run():
    assert sports_of("gull/2026-04/2026-04-03-oil-round-by-bicycle.fit.gz") == [2]
    assert sports_of("ember/2026-05-09-ride-then-run.fit.gz") == [2, 1]


def test_all_other_fit_files_are_one_run():
    odd = {"gull/2026-04/2026-04-03-oil-round-by-bicycle.fit.gz", "ember/2026-05-09-ride-then-run.fit.gz"}
    assert all(sports_of(name) == [1] for name in fit_recordings() if name not in odd)


def test_one_file_is_cut_short_among_many_that_are_not():
    with pytest.raises(fitfast.FitDecodeError):
        fitfast.records(content_of(DAMAGED))
    assert len(fit_recordings("tallow")) == 12


def test_the_old_device_records_distance_and_speed_alone():
    for name in recordings(athlete_id="moss"):
        assert set(columns_of(name)) - {"enhanced_speed"} == {"timestamp", "distance", "speed"}


def test_contact_time_is_self_described_and_in_some_runs_there_are_two_sensors():
    seen = [columns_of(name) for name in recordings(athlete_id="wick")]
    assert all("Sole contact time" in columns for columns in seen)
    twice = [columns for columns in seen if "stance_time" in columns]
    assert len(twice) == 3
    for columns in twice:
        assert np.nanmean(columns["stance_time"] / columns["Sole contact time"]) == pytest.approx(1.04, abs=0.005)


def test_the_log_book_has_semicolons_and_decimal_commas():
    for name in recordings(".csv.gz", "quill"):
        header, first = content_of(name).decode().splitlines()[:2]
        assert header.startswith("time_utc;distance_m;speed_m_s;altitude_m;")
        assert first.count(";") == header.count(";")
        assert "," in first
        assert "." not in first


def test_the_slate_has_one_row_a_kilometre():
    slates = recordings(".kilometres.csv", "quill")
    assert len(slates) == 3
    for name in slates:
        rows = list(csv.DictReader(io.StringIO(content_of(name).decode())))
        assert list(rows[0]) == ["km", "duration_s", "cadence_spm", "contact_time_ms", "started_at_utc"]
        assert [row["km"] for row in rows] == [str(km + 1) for km in range(len(rows))]
        assert all(200 < float(row["duration_s"]) < 500 for row in rows)


def test_the_run_walker_walks_stops_and_stands():
    walked = [np.mean(columns_of(name)["cadence"] < 65) for name in recordings("walked", "tarn")]
    assert all(share > 0.02 for share in walked)
    gated = recordings("gated", "tarn")
    assert gated
    for name in gated:
        events = fitfast.records(content_of(name), "event")
        assert events["event_type"].tolist() == [0, 4, 0, 4]
        assert np.any(columns_of(name)["cadence"] == 0)


def test_some_devices_write_a_lost_contact_time_as_zero_and_some_as_missing():
    zero = [name for name in fit_recordings("brine") if np.any(columns_of(name).get("stance_time", 1) == 0)]
    missing = [name for name in fit_recordings("brine") if np.any(np.isnan(columns_of(name)["stance_time"]))]
    assert zero
    assert missing


def test_sessions_name_files_that_are_there_and_starts_that_are_recorded():
    sessions = rows_of(CLUB / "sessions.csv")
    named = {row["file"] for row in sessions if row["file"]}
    assert named <= set(recordings())
    starts = {row["started_at_utc"] for row in sessions if row["kind"] == "race"}
    assert starts == {f"{race['started_at_utc']:%Y-%m-%dT%H:%M:%SZ}" for race in SETTINGS["races"]}
    assert 0.8 * len(recordings()) < len(sessions) < len(recordings())
    assert {row["shoe_id"] for row in sessions} == {row["shoe_id"] for row in rows_of(CLUB / "shoes.csv")}


def test_strikes_are_counted_for_both_feet_at_both_places_of_three_races():
    places = defaultdict(set)
    for row in rows_of(CLUB / "strikes.csv"):
        assert bool(row["strike"]) != bool(row["angle_deg"])
        assert bool(row["date"]) != bool(row["started_at_utc"])
        places[row["athlete_id"], row["date"] or row["started_at_utc"][:10]].add((row["distance_km"], row["foot"]))
    assert len(places) == 8 * 3
    assert set(map(frozenset, places.values())) == {
        frozenset({("5", "left"), ("5", "right"), ("15", "left"), ("15", "right")})
    }


@pytest.mark.slow
@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.depth)])
def test_an_independent_reader_reads_every_so_many_fit_files_and_counts_the_same_messages(every: int):
    for name in fit_recordings()[::every]:
        counts: dict[str, int] = defaultdict(int)
        with fitdecode.FitReader(io.BytesIO(content_of(name)), check_crc=fitdecode.CrcCheck.RAISE) as reader:
            for frame in reader:
                if isinstance(frame, fitdecode.FitDataMessage):
                    counts[frame.name] += 1
        assert counts == fitfast.message_counts(content_of(name)), name


def test_the_independent_reader_finds_the_damaged_file_damaged():
    with pytest.raises(fitdecode.FitEOFError), fitdecode.FitReader(io.BytesIO(content_of(DAMAGED))) as reader:
        list(reader)


# --- The physics -----------------------------------------------------------------------------------------------------

HILLY = Course.named("rolling", 12_000, phase=0.7)
STOPPING = Pacing(length_m=12_000, speed_m_s=3.2, walks=[(4000, 4300)], stops=[(6000, 60, True), (8000, 30, False)])


def a_run(has_noise: bool = True, **drifts: Drift) -> Run:
    return simulate(Athlete(drifts=drifts), HILLY, STOPPING, 7, has_noise=has_noise)


@pytest.mark.parametrize("has_noise", [False, True])
def test_contact_and_flight_make_a_step(has_noise: bool):
    run = a_run(has_noise)
    moving = run.cadence_spm > 0
    step_ms = run.contact_time_ms + run.flight_time_ms
    np.testing.assert_allclose(step_ms[moving], 60_000 / run.cadence_spm[moving], rtol=1e-12)


@pytest.mark.parametrize("has_noise", [False, True])
def test_step_length_times_cadence_is_speed(has_noise: bool):
    run = a_run(has_noise)
    moving = run.cadence_spm > 0
    speed = run.step_length_m[moving] * run.cadence_spm[moving] / 60
    np.testing.assert_allclose(speed, run.speed_m_s[moving], rtol=1e-12)


def test_running_leaves_the_ground_and_walking_does_not():
    run = a_run()
    moving = run.cadence_spm > 0
    assert np.all(run.flight_time_ms[moving & ~run.is_walking] > 0)
    assert np.all(run.flight_time_ms[run.is_walking] < 0)


def test_vertical_oscillation_is_that_of_the_spring_mass_model():
    # Morin 2005, base case worked by hand from eq. 6 and 7: 70 kg, contact 220 ms, flight 130 ms; the body sinks
    # 60.9 mm and flight adds g·tf²/8 = 20.7 mm.
    worked = runner.vertical_oscillation_mm(70.0, np.array([220.0]), np.array([130.0]))
    assert worked[0] == pytest.approx(60.87 + 20.72, abs=0.02)


def test_vertical_oscillation_does_not_depend_on_mass():
    tc, tf = np.array([250.0]), np.array([100.0])
    light, heavy = (runner.vertical_oscillation_mm(mass, tc, tf) for mass in (50.0, 90.0))
    assert light == pytest.approx(heavy)


def test_slope_is_the_derivative_of_altitude():
    for kind in ("flat", "rolling", "out_and_back", "late_climb", "early_climb"):
        course = Course.named(kind, 15_000, phase=1.1)
        place = np.arange(10.0, 14_990.0, 7.0)
        numeric = 100 * (course.altitude_m(place + 0.01) - course.altitude_m(place - 0.01)) / 0.02
        np.testing.assert_allclose(course.slope_pct(place), numeric, atol=0.02)


def test_distance_is_the_sum_of_speed():
    run = a_run()
    covered = np.diff(run.distance_m)
    mean_speed = (run.speed_m_s[1:] + run.speed_m_s[:-1]) / 2
    one_second = np.diff(run.elapsed_s) == 1
    assert covered[one_second].sum() == pytest.approx(mean_speed[one_second].sum(), rel=2e-3)
    assert run.distance_m[-1] == pytest.approx(12_000, abs=5)


def test_a_stop_of_the_timer_leaves_no_rows_and_a_stand_leaves_rows_without_steps():
    run = a_run()
    ((from_s, to_s),) = run.pauses
    assert to_s - from_s == 60
    assert not np.any((run.elapsed_s > from_s) & (run.elapsed_s < to_s))
    assert np.sum(run.cadence_spm == 0) == 29


def test_without_chance_the_planted_drift_is_all_that_distance_does():
    drift, onset = Drift(5.0, onset_km=6.0), 6.0
    plain, drifting = a_run(has_noise=False), a_run(has_noise=False, contact_time_ms=drift)
    running = (plain.cadence_spm > 0) & ~plain.is_walking & (plain.distance_m > 50)
    beyond_km = np.maximum(plain.distance_m / 1000 - onset, 0)
    ratio = (drifting.contact_time_ms / plain.contact_time_ms)[running]
    np.testing.assert_allclose(ratio, 1.05 ** (beyond_km[running] / 10), rtol=1e-12)
    np.testing.assert_array_equal(drifting.cadence_spm, plain.cadence_spm)


def test_cadence_rises_with_speed_as_the_athlete_has_it():
    athlete = Athlete(cadence_per_m_s=5.8)
    slow, fast = (
        simulate(athlete, Course(), Pacing(length_m=3000, speed_m_s=speed), 1, has_noise=False) for speed in (3.0, 4.0)
    )
    assert fast.cadence_spm[-1] - slow.cadence_spm[-1] == pytest.approx(5.8)


def test_the_same_seed_gives_the_same_run_and_another_seed_another():
    np.testing.assert_array_equal(a_run().contact_time_ms, a_run().contact_time_ms)
    other = simulate(Athlete(), HILLY, STOPPING, 8)
    assert len(other.elapsed_s) != len(a_run().elapsed_s) or np.any(other.cadence_spm != a_run().cadence_spm)


def test_a_smart_device_keeps_a_row_every_two_to_six_seconds():
    kept = device.read_off(a_run(), device.Device(name="any", format="fit", sampling="smart"), 3)
    steps = np.diff(kept.columns["elapsed_s"])
    assert steps[:-1].max() <= 60
    assert 2 < len(a_run().elapsed_s) / len(steps) < 6


def kilometres(run: Run) -> list[list[float]]:
    """Mean distance, log speed, slope, log cadence, log contact time of each whole kilometre that was all run."""
    rows = []
    place = (run.distance_m // 1000).astype(int)
    for km in range(1, place[-1]):
        mine = (place == km) & (run.cadence_spm > 0)
        if not run.is_walking[mine].any():
            logs = [np.log(np.nanmean(getattr(run, metric)[mine])) for metric in METRICS]
            speed, slope = np.log(run.speed_m_s[mine].mean()), run.slope_pct[mine].mean()
            rows.append([run.distance_m[mine].mean() / 1000, speed, slope, *logs])
    return rows


@pytest.mark.parametrize("athlete_id", [one for one in SETTINGS["athletes"] if one != "pip"])
def test_plain_least_squares_finds_the_planted_drift_in_the_true_runs(athlete_id: str):
    drifts = club.athlete_of(SETTINGS, athlete_id).drifts
    onset_km = drifts.get("contact_time_ms", Drift()).onset_km
    runs = [np.array(kilometres(club.run_of(SETTINGS, one))) for one in club.planned_runs(SETTINGS, athlete_id)]
    within = []
    for rows in runs:
        rows[:, 0] = np.maximum(rows[:, 0] - onset_km, 0)
        within.append(rows - rows.mean(axis=0))
    stacked = np.vstack(within)
    slopes = np.linalg.lstsq(stacked[:, :3], stacked[:, 3:], rcond=None)[0][0]
    planted = [drifts.get(metric, Drift()).pct_per_10km for metric in METRICS]
    # Some twelve runs, each with its own drift (SD up to 0.8) and noise (about 1.3): standard error about 0.4.
    np.testing.assert_allclose(1000 * slopes, planted, atol=1.2)


def test_the_fader_seems_to_drift_where_speed_is_left_out():
    rows = [np.array(kilometres(club.run_of(SETTINGS, one))) for one in club.planned_runs(SETTINGS, "tallow")]
    within = np.vstack([one - one.mean(axis=0) for one in rows])
    raw = 1000 * (within[:, 0] @ within[:, 4]) / (within[:, 0] @ within[:, 0])
    assert raw > 5


# --- Seasons of any size ---------------------------------------------------------------------------------------------


def test_a_season_has_the_asked_runs_of_the_asked_length(tmp_path: Path):
    club.write_season(tmp_path, n_athletes=3, n_runs=7, hours=0.5, seed=4)
    files = sorted(tmp_path.rglob("*.fit"))
    assert len(files) == 7
    assert {path.parent.name for path in files} == {"runner-001", "runner-002", "runner-003"}
    for path in files:
        seconds = fitfast.records(path.read_bytes())["timestamp"]
        assert np.all(np.diff(seconds) == 1)
        assert seconds[-1] - seconds[0] == 1800

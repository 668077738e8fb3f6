"""The stage recording: which reader a file gets, what becomes of each session, and which recordings are of one run."""

from __future__ import annotations

import gzip
import io
import zipfile
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from data.generator.fit_writer import Part, activity_file
from pipeline.core.reasons import Reason
from pipeline.stages.recording import Session, _is_clock_set, recording
from pipeline.tables.recorded import STATUSES
from tests.support.fit_runs import fit_run

RUN_CSV = b"time_utc,distance_m\n2026-03-14T09:00:00Z,0\n2026-03-14T09:00:01Z,3\n2026-03-14T09:00:02Z,6\n"
RUN_GPX = b"""<gpx><trk><type>running</type><trkseg>
<trkpt lat="10.0" lon="20.0"><time>2026-03-14T09:00:00Z</time></trkpt>
<trkpt lat="10.0001" lon="20.0"><time>2026-03-14T09:00:04Z</time></trkpt></trkseg></trk></gpx>"""
RUN_TCX = b"""<TrainingCenterDatabase><Activities>
<Activity Sport="Running"><Lap><Track>
<Trackpoint><Time>2026-03-14T09:00:00Z</Time><DistanceMeters>0</DistanceMeters></Trackpoint>
<Trackpoint><Time>2026-03-14T09:00:01Z</Time><DistanceMeters>3</DistanceMeters></Trackpoint>
</Track></Lap></Activity></Activities></TrainingCenterDatabase>"""
RUN_FIT = fit_run(km=0.1)


def sessions_of(name: str, content: bytes) -> list[Session]:
    return recording(
        name,
        content,
        mapping=None,
        sensor_preference=("native", "self-described"),
        described_fields={},
        max_unpacked_bytes=1_000_000,
        max_members=3,
    )


def outcome(name: str, content: bytes) -> list[tuple[str, int, str | None, str, str]]:
    """What the ledger will say: name, place, format, status, reason."""
    return [(one.path, one.place, one.format, one.status, one.reason) for one in sessions_of(name, content)]


def zipped(*files: tuple[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, content in files:
            archive.writestr(name, content)
    return buffer.getvalue()


# --- Which reader ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "reader"),
    [
        ("ari/a.fit", RUN_FIT, "fit"),
        ("ari/a.FIT", RUN_FIT, "fit"),
        ("ari/a.fit.gz", gzip.compress(RUN_FIT, mtime=0), "fit"),
        ("ari/a.csv", RUN_CSV, "csv"),
        ("ari/a.csv.gz", gzip.compress(RUN_CSV, mtime=0), "csv"),
        ("ari/a.tcx", RUN_TCX, "tcx"),
        ("ari/a.gpx", RUN_GPX, "gpx"),
    ],
)
def test_the_ending_decides_the_reader(name: str, content: bytes, reader: str):
    assert [(one.path, one.format, one.status) for one in sessions_of(name, content)] == [(name, reader, "accepted")]


@pytest.mark.parametrize(("name", "kind"), [("ari/notes.txt", ".txt"), ("ari/README", "without ending")])
def test_another_ending_is_rejected_and_told_which_would_do(name: str, kind: str):
    (session,) = sessions_of(name, b"hello")
    assert (session.status, session.format, session.recording) == ("rejected", None, None)
    assert session.reason == f"splitdrift does not read files of the kind '{kind}'."
    assert session.fix == "Recordings end in .fit, .csv, .tcx, .gpx, also packed as .gz or .zip."


def test_a_reader_that_refuses_is_still_named():
    (session,) = sessions_of("ari/a.fit", b"no fit at all")
    assert (session.status, session.format, session.n_samples) == ("rejected", "fit", 0)
    assert session.reason


# --- Archives --------------------------------------------------------------------------------------------------------


def test_members_of_an_archive_follow_after_an_exclamation_mark_each_with_its_own_fate():
    content = zipped(("spring/a.csv", RUN_CSV), ("notes.txt", b"hello"))
    assert [(one.path, one.place, one.status) for one in sessions_of("ari/all.zip", content)] == [
        ("ari/all.zip!spring/a.csv", 1, "accepted"),
        ("ari/all.zip!notes.txt", 1, "rejected"),
    ]


def test_the_only_member_of_a_zip_is_named_too():
    assert [one.path for one in sessions_of("ari/one.zip", zipped(("a.csv", RUN_CSV)))] == ["ari/one.zip!a.csv"]


def test_two_members_that_come_to_one_name_are_told_apart():
    content = zipped(("a.csv", RUN_CSV), ("a.csv.gz", gzip.compress(RUN_CSV, mtime=0)), ("a.csv (2)", b""))
    names = [one.path for one in sessions_of("ari/all.zip", content)]
    assert names == ["ari/all.zip!a.csv", "ari/all.zip!a.csv (2)", "ari/all.zip!a.csv (2) (2)"]


def test_an_archive_that_holds_too_much_is_one_rejected_file():
    four = zipped(*((f"{number}.csv", RUN_CSV) for number in range(4)))
    assert outcome("ari/all.zip", four) == [
        ("ari/all.zip", 1, None, "rejected", "The archive holds 4 files, expected at most 3.")
    ]


def test_the_digest_is_of_the_unpacked_member():
    packed, plain = sessions_of("a.csv.gz", gzip.compress(RUN_CSV, mtime=0)), sessions_of("b.csv", RUN_CSV)
    assert packed[0].sha256 == plain[0].sha256
    assert packed[0].sha256 != sessions_of("c.csv", RUN_CSV + b"2026-03-14T09:00:03Z,9\n")[0].sha256


# --- What becomes of a session ---------------------------------------------------------------------------------------


def part(sport: str, started_unix_s: int, n_records: int = 60) -> Part:
    seconds = np.arange(n_records, dtype=float)
    return Part(started_unix_s=started_unix_s, elapsed_s=seconds, distance_m=3 * seconds, sport=sport)


def test_each_session_of_a_file_is_judged_on_its_own():
    content = activity_file([part("cycling", 1_773_000_000), part("running", 1_773_001_000)])
    assert outcome("ari/two.fit", content) == [
        ("ari/two.fit", 1, "fit", "not_running", "The sport of the session is 'cycling', not running."),
        ("ari/two.fit", 2, "fit", "accepted", "A run with distance and time only."),
    ]


@pytest.mark.parametrize(
    ("years", "status"),
    [((1988, 2026, 2026), "accepted"), ((1988, 1988, 2026), "rejected"), ((2026, 2081, 2081), "rejected")],
)
def test_a_clock_is_judged_by_the_median_of_its_times(years: tuple[int, ...], status: str):
    rows = "".join(f"{year}-03-14T09:00:0{place}Z,{3 * place}\n" for place, year in enumerate(years))
    (session,) = sessions_of("ari/a.csv", f"time_utc,distance_m\n{rows}".encode())
    assert session.status == status
    assert session.reasons[0]["kind"] == (Reason.RUN if status == "accepted" else Reason.CLOCK_NOT_SET)


def test_without_any_time_no_clock_is_set():
    assert not _is_clock_set(np.array([np.nan, np.nan]))


def test_a_ride_hands_no_recording_on():
    ride, run = sessions_of(
        "ari/two.fit", activity_file([part("cycling", 1_773_000_000), part("running", 1_773_001_000)])
    )
    assert ride.recording is None
    assert run.recording is not None
    assert run.n_samples == 60


def test_the_reason_lists_what_was_measured():
    (session,) = sessions_of("ari/a.fit", fit_run(km=0.1, heart_rate_bpm=150.0, altitude_m=12.0))
    assert session.reason == "A run with cadence, contact time, heart rate, altitude."


def test_a_quantity_that_is_zero_throughout_was_not_measured():
    (session,) = sessions_of("ari/a.fit", fit_run(km=0.1, contact_time_ms=0.0))
    assert session.reason == "A run with cadence."


def test_a_file_without_sport_is_taken_as_running_and_says_so():
    (session,) = sessions_of("ari/a.csv", RUN_CSV)
    assert session.status == "accepted"
    assert session.reason == ("A run with distance and time only. The file does not name the sport; taken as running.")


def test_a_file_cut_short_is_salvaged_and_says_what_was_wrong():
    (session,) = sessions_of("ari/a.fit", fit_run(km=1)[:-1500])
    assert session.status == "salvaged"
    assert session.reason.startswith("Damaged: the file is cut short; it was read up to the cut. A run with cadence")
    assert session.recording is not None
    assert 0 < session.n_samples < 334


@pytest.mark.parametrize(("n_records", "status"), [(1, "rejected"), (2, "accepted")])
def test_a_run_needs_two_instants(n_records: int, status: str):
    (session,) = sessions_of("ari/a.fit", activity_file([part("running", 1_773_000_000, n_records)]))
    assert session.status == status
    if status == "rejected":
        assert session.reason == "The session holds 1 measurement over time; a run needs many."
        assert session.recording is None


def test_a_session_without_distance_speed_or_positions_is_rejected():
    standing = replace(part("running", 1_773_000_000), distance_m=None)
    (session,) = sessions_of("ari/a.fit", activity_file([standing]))
    assert session.reason == (
        "The session holds no distance, no speed and no positions, so there are no kilometres to compare."
    )
    assert session.fix == (
        "Record with a sensor for distance, or add a column of distance; or put another recording of the run next to "
        "it."
    )


@pytest.mark.parametrize("column", ["distance_m", "speed_m_s"])
def test_distance_or_speed_alone_is_enough(column: str):
    (session,) = sessions_of("ari/a.csv", RUN_CSV.replace(b"distance_m", column.encode()))
    assert session.status == "accepted"


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    ending=st.sampled_from([".fit", ".csv", ".tcx", ".gpx", ".fit.gz", ".zip", ".txt", ""]),
    start=st.sampled_from(
        [b"", RUN_FIT[:40], RUN_FIT[:-200], RUN_CSV[:60], RUN_GPX[:90], RUN_TCX[:150], b"PK\x03\x04"]
    ),
    rest=st.binary(max_size=400),
)
def test_whatever_bytes_a_file_holds_it_gets_a_row_with_a_reason(ending: str, start: bytes, rest: bytes):
    found = sessions_of(f"ari/x{ending}", start + rest)
    assert found
    assert all(one.status in STATUSES and one.reason for one in found)


# --- Workbooks -------------------------------------------------------------------------------------------------------


def test_a_workbook_gets_one_sentence_and_not_one_per_file_in_it():
    workbook = zipped(("xl/workbook.xml", b"<workbook/>"), ("xl/worksheets/sheet1.xml", b"<worksheet/>"))
    (session,) = sessions_of("ari/runs.xlsx", workbook)
    assert (session.status, session.reason) == ("rejected", "A recording is not read from a spreadsheet (.xlsx).")
    assert session.fix == "Save the sheet as CSV and put that in its place."

"""Odd CSV files: what `check` says of each, and that it is read after one round with what `columns` proposes."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.__main__ import main
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import check
from pipeline.stages.recording import Session, recording
from pipeline.workers.pool import here
from tests.odd.csv_files import Case, Several, cases, several

CASES = cases()
STARTED = datetime(2026, 5, 1, 6, 0, tzinfo=UTC)


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    (tmp_path / "inbox" / "ari").mkdir(parents=True)
    return tmp_path / "inbox"


def put(inbox: Path, case: Case) -> Path:
    file = inbox / "ari" / case.file_name
    file.write_bytes(case.content)
    if case.started is None:
        (inbox / "sessions.csv").write_text(
            f"file,started_at_utc\nari/{case.file_name},{STARTED:%Y-%m-%dT%H:%M:%SZ}\n", encoding="utf-8"
        )
    return file


def ledger(inbox: Path) -> dict[str, object]:
    [row] = check(read_inbox(inbox), mapper=here).iter_rows(named=True)
    return row


def decoded(inbox: Path) -> Session:
    found = read_inbox(inbox)
    [file] = found.files
    [session] = recording(
        file.path,
        (inbox / file.path).read_bytes(),
        mapping=found.mapping_for(file),
        sensor_preference=("native", "self-described"),
        described_fields={},
        max_unpacked_bytes=10**9,
        max_members=1,
    )
    return session


def answer(text: str, answers: tuple[str, ...]) -> str:
    """The proposal with the right ones of the lines that it leaves open."""
    for line in answers:
        key, value = line.rsplit(" = ", 1)
        if key == "time_zone":
            text = re.sub(r"^# time_zone = \S+", f"time_zone = {value}", text, flags=re.MULTILINE)
        elif f"\n{line}" not in text:  # unless it is proposed already
            assert f"\n# {line}" in text, (line, text)
            text = text.replace(f"\n# {line}", f"\n{line}")
    return text


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_an_odd_file_is_read_after_one_round(case: Case, inbox: Path):
    file = put(inbox, case)
    first = ledger(inbox)
    if case.says is None:
        assert first["status"] == "accepted", first
    else:
        assert first["status"] == "rejected", first
        assert case.says in f"{first['reason']} {first['fix']}"
    ran = CliRunner().invoke(main, ["columns", str(file), "--write"])
    assert ran.exit_code == 0, ran.output
    proposed = inbox / "ari" / "columns.toml"
    proposed.write_text(answer(proposed.read_text(encoding="utf-8"), tuple(case.answers)), encoding="utf-8")
    session = decoded(inbox)
    assert session.status == "accepted", (session.reason, proposed.read_text(encoding="utf-8"))
    assert_true(session, case)
    assert ledger(inbox)["status"] == "accepted"


def assert_true(session: Session, case: Case) -> None:
    found = session.recording
    assert found is not None
    assert found.grain == case.grain
    time_s = found.readings["time_s"]
    if case.started is not None:
        assert found.has_clock
        assert time_s[0] == case.started.timestamp()
    assert time_s[-1] - time_s[0] == pytest.approx(case.elapsed_s, abs=1e-3)
    assert time_s.is_sorted()
    distance_m = found.readings["distance_m"]
    assert distance_m[-1] - distance_m[0] == pytest.approx(case.distance_m, rel=0.005)
    for reading, (first, last) in {case.column[0]: case.column[1:], **case.extra}.items():
        values = found.readings[reading].drop_nulls()
        assert values[0] == pytest.approx(first, abs=0.01), reading
        assert values[-1] == pytest.approx(last, abs=0.01), reading


def test_times_are_exact_in_every_row_of_a_local_clock(inbox: Path):
    [case] = [case for case in CASES if case.name == "local clock across the end of summer time"]
    put(inbox, case)
    (inbox / "ari" / "columns.toml").write_text('time_zone = "Europe/Berlin"\n', encoding="utf-8")
    session = decoded(inbox)
    assert session.recording is not None
    assert case.started is not None
    expected = [(case.started + timedelta(seconds=5 * n)).timestamp() for n in range(721)]
    assert session.recording.readings["time_s"].to_list() == expected


SEVERAL = several()


@pytest.mark.parametrize("case", [one for one in SEVERAL if one.says is None], ids=lambda case: case.name)
def test_each_recording_of_a_file_with_several_is_a_run_with_its_start_and_its_distance(case: Several, inbox: Path):
    (inbox / "ari" / "season.csv").write_bytes(case.content)
    rows = check(read_inbox(inbox), mapper=here).sort("session")
    assert rows["status"].to_list() == ["accepted"] * len(case.starts), rows["reason"].to_list()
    assert rows["started_at_utc"].to_list() == list(case.starts)
    assert rows["distance_km"].to_list() == pytest.approx([metres / 1000 for metres in case.distances_m], rel=0.005)
    if len(case.starts) > 1:
        assert f"Recording 2 of {len(case.starts)} in the file" in rows["reason"][1]


@pytest.mark.parametrize("case", [one for one in SEVERAL if one.says is not None], ids=lambda case: case.name)
def test_rows_that_may_be_of_one_recording_or_of_several_are_refused_with_their_lines(case: Several, inbox: Path):
    (inbox / "ari" / "season.csv").write_bytes(case.content)
    row = ledger(inbox)
    assert row["status"] == "rejected"
    assert case.says in f"{row['reason']} {row['fix']}"

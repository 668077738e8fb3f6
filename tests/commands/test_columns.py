"""The command `columns`: what it shows of a file, what it proposes, and where it writes that."""

from __future__ import annotations

import gzip
import tomllib
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main

OPEN = b"Zeit;Distanz;Kadenz;Kraft\n03.04.2026 09:30:00;1,5;85;200\n03.04.2026 09:30:05;1,6;85;201\n"
SOUND = b"time_utc,distance_m,cadence_spm\n2026-03-14T09:30:00Z,0,170\n2026-03-14T09:30:05Z,16,170\n"


def columns(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["columns", *map(str, arguments)])


@pytest.fixture
def run(tmp_path: Path) -> Path:
    (tmp_path / "ari").mkdir()
    file = tmp_path / "ari" / "run.csv"
    file.write_bytes(OPEN)
    return file


def test_each_column_is_shown_with_its_values_and_what_it_is_taken_for(run: Path):
    shown = {line.split()[0]: line for line in columns(run).output.splitlines()[:6] if line}
    assert "03.04.2026 09:30:00" in shown["Zeit"]
    assert "time_utc" in shown["Zeit"]
    assert "1,5  1,6" in shown["Distanz"]
    assert "open: " in shown["Distanz"]
    assert "cadence_strides_min, by its values" in shown["Kadenz"]
    assert "not recognised" in shown["Kraft"]


def test_values_that_are_of_a_run_in_another_unit_only_are_remarked_upon(run: Path):
    run.write_bytes(b"elapsed_s,Pace (min/km),cadence_spm\n0,300,85\n5,301,85\n10,302,86\n")
    output = columns(run).output
    assert (
        '"Pace (min/km)" = "pace_min_per_km"  # of no run in that unit; the values would be of one as pace_s' in output
    )
    assert "of one as cadence_strides_min" in output


def test_a_column_is_not_called_unknown_where_another_one_gives_the_same(run: Path):
    run.write_bytes(b"elapsed_s,Pace,pace_min_per_km\n0,5:00,5:00\n5,5:01,5:01\n10,5:02,5:02\n")
    output = columns(run).output
    assert 'Pace = ""  # not used, since "pace_min_per_km" gives the same' in output
    assert "not recognised" not in output


def test_columns_that_are_left_out_are_counted_and_shown_with_what_they_may_be(run: Path):
    run.write_bytes(b"elapsed_s,distance_m,pod_stance_time,remark\n0,0,240,a\n5,15,241,b\n")
    output = columns(run, "--write").output
    assert "not recognised; close to contact_time_ms or contact_time_s" in output
    assert "Columns left out: 2." in output


def test_days_of_a_spreadsheet_are_proposed_where_no_other_time_fits_the_values(run: Path):
    run.write_bytes(b"Timestamp,distance_m\n46101.25,0\n46101.2514,400\n46101.2528,800\n")
    assert "time_excel_days, by its values" in columns(run).output


def test_a_start_that_the_proposed_time_needs_is_said(run: Path):
    run.write_bytes(b"Time (s),distance_m\n0,0\n100,300\n200,600\n")
    output = columns(run).output
    assert "elapsed_s, by its values" in output
    assert "The file does not say when the run began" in output


def test_the_proposal_is_whole_and_leaves_open_only_what_the_file_cannot_settle(run: Path):
    output = columns(run).output
    proposed = output[output.index("[files.") : output.index("Columns left out: 1.")]
    assert tomllib.loads(proposed) == {
        "files": {
            "run.csv": {
                "separator": ";",
                "decimal": ",",
                "grain": "sample",
                "columns": {"Zeit": "time_utc", "Kadenz": "cadence_strides_min", "Kraft": ""},
            }
        }
    }
    assert '# date_order = "day-month-year"\n# date_order = "month-day-year"\n# time_zone = ' in proposed
    assert "Choices that are yours: 3." in output


def test_nothing_is_written_unless_asked(run: Path):
    columns(run)
    assert [path.name for path in run.parent.iterdir()] == ["run.csv"]


def test_with_write_the_section_is_next_to_the_file(run: Path):
    run.write_bytes(SOUND)
    ran = columns(run, "--write")
    assert ran.exit_code == 0
    assert f"Written to {run.parent / 'columns.toml'}." in ran.output
    assert tomllib.loads((run.parent / "columns.toml").read_text())["files"]["run.csv"]["grain"] == "sample"


def test_what_is_in_columns_toml_already_stays_and_holds(run: Path):
    place = run.parent / "columns.toml"
    place.write_text('time_zone = "Europe/Berlin"  # ours\n\n[columns]\nKadenz = "cadence_spm"\n')
    output = columns(run, "--write").output
    text = place.read_text()
    assert text.startswith(
        'time_zone = "Europe/Berlin"  # ours\n\n[columns]\nKadenz = "cadence_spm"\n\n[files."run.csv"]'
    )
    assert '\nKadenz = "cadence_spm"  #' in text.partition("[files")[2]
    assert "# time_zone" not in text
    assert "Choices that are yours: 2." in output


def test_a_section_that_is_there_is_never_overwritten(run: Path):
    run.write_bytes(SOUND)
    columns(run, "--write")
    before = (run.parent / "columns.toml").read_text()
    ran = columns(run, "--write")
    assert ran.exit_code == 2
    assert (
        'has a section [files."run.csv"] already, which is left as it is. Delete it to have it proposed' in ran.output
    )
    assert (run.parent / "columns.toml").read_text() == before


def test_the_columns_toml_of_the_inbox_is_added_to_since_one_in_the_folder_would_hide_it(run: Path):
    inbox = run.parents[1]
    (inbox / "columns.toml").write_text('time_zone = "UTC"\n')
    run.write_bytes(SOUND)
    assert f"Written to {inbox / 'columns.toml'}." in columns(run, "--write").output
    assert not (run.parent / "columns.toml").exists()


def test_a_columns_toml_above_the_inbox_is_left_alone(run: Path):
    inbox = run.parents[1] / "ari"
    (run.parents[1] / "columns.toml").write_text('time_zone = "UTC"\n')
    (inbox / "roster.csv").write_text("athlete_id\nari\n")
    assert f"For {inbox / 'columns.toml'} (--write adds it there)" in columns(run).output


def test_a_packed_file_is_looked_into(run: Path):
    packed = run.with_suffix(".csv.gz")
    packed.write_bytes(gzip.compress(SOUND))
    assert '[files."run.csv"]' in columns(packed).output


def test_what_the_file_lacks_is_said(run: Path):
    run.write_bytes(b"elapsed_s,heart_rate\n0,140\n5,141\n")
    output = columns(run).output
    assert "The file has neither distance, speed, pace nor positions" in output
    assert (
        "The file does not say when the run began: add a line with its file and started_at_utc to sessions.csv"
        in output
    )


@pytest.mark.parametrize(
    ("name", "content", "code", "said"),
    [
        ("run.fit", b"x", 2, "run.fit is no CSV file."),
        ("run.csv", b"", 1, "Rows below the header of the file: 0"),
        ("gone.csv", None, 2, "does not exist"),
    ],
)
def test_what_cannot_be_looked_into_says_why(tmp_path: Path, name: str, content: bytes | None, code: int, said: str):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    ran = columns(tmp_path / name)
    assert said in ran.output
    assert ran.exit_code == code


def test_odd_headers_and_names_still_make_a_columns_toml(tmp_path: Path):
    file = tmp_path / 'a "b".csv'
    file.write_bytes(b'elapsed_s,distance_m,x y,x y,"a\x7fb","say ""no""",\n0,0,1,1,1,1,1\n1,3,1,1,1,1,1\n')
    assert columns(file, "--write").exit_code == 0
    written = tomllib.loads((tmp_path / "columns.toml").read_text())["files"]['a "b".csv']["columns"]
    assert list(written) == ["elapsed_s", "distance_m", "x y", "a\x7fb", 'say "no"']


def test_an_archive_of_several_files_is_to_be_unpacked(tmp_path: Path):
    file = tmp_path / "run.csv"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("a.csv", SOUND)
        archive.writestr("b.csv", SOUND)
    ran = columns(file)
    assert (ran.exit_code, "run.csv is an archive of several files. Unpack it" in ran.output) == (2, True)

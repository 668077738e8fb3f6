"""The command `sort`: what it says, what it refuses, and that its output stays short."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.commands.sort import MOST_ATHLETES
from tests.support.fit_runs import fit_run

pytestmark = pytest.mark.usefixtures("no_workers")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def flat_folder(root: Path, *names: str) -> Path:
    folder = root / "flat"
    folder.mkdir()
    for name in names:
        (folder / name).write_text(name)
    return folder


def shown(result: Result) -> list[list[str]]:
    """The cells of the table."""
    lines = [line for line in result.output.splitlines() if line.startswith("│")]
    return [[cell.strip() for cell in line.strip("│").split("│")] for line in lines]


def test_a_dry_run_says_what_goes_where_and_changes_nothing(tmp_path: Path):
    flat = flat_folder(tmp_path, "ari_1.fit", "ari_2.fit", "bel_1.fit", "x.fit", "notes.txt", "Thumbs.db")
    (tmp_path / "inbox" / "ari").mkdir(parents=True)
    result = run("sort", "--from", flat, "--inbox", tmp_path / "inbox", "--by", "{athlete_id}_{n}.fit", "--dry-run")
    assert result.exit_code == 0
    assert shown(result) == [["ari", "2", "", "ari_1.fit"], ["bel (new folder)", "1", "", "bel_1.fit"]]
    for line in (
        "4 files: 3 to sort, 1 of no athlete.",
        "Into .unsorted: 1 where the name does not fit the pattern, such as x.fit.",
        "Left alone, since they are no recordings: 1 .txt.",
        "Nothing was changed. Without --dry-run this is done.",
    ):
        assert line in result.output
    assert list((tmp_path / "inbox").rglob("*")) == [tmp_path / "inbox" / "ari"]


def test_with_v_every_file_is_listed_with_where_it_goes_and_why_it_does_not(tmp_path: Path):
    flat = flat_folder(tmp_path, "ari_1.fit", "ari_2.fit", "x.fit")
    (flat / "ari_2.fit").write_text("ari_1.fit")
    inbox = tmp_path / "inbox"
    words = ("sort", "--from", flat, "--inbox", inbox, "--by", "{athlete_id}_{n}.fit", "--dry-run")
    assert "-v lists every file, and where it goes." in run(*words).output
    assert [cells for cells in shown(run(*words, "-v")) if len(cells) == 3] == [
        ["ari_1.fit", "ari/", ""],
        ["ari_2.fit", "", "the same as ari_1.fit"],
        ["x.fit", ".unsorted/", "the name does not fit the pattern"],
    ]


def test_a_sort_puts_files_into_place_and_names_the_next_step(tmp_path: Path):
    flat = flat_folder(tmp_path, "ari_1.fit")
    inbox = tmp_path / "inbox"
    result = run("sort", "--from", flat, "--inbox", inbox, "--by", "{athlete_id}_{n}.fit", "--move")
    assert result.exit_code == 0
    assert f"Next: splitdrift check --inbox {inbox}" in result.output
    assert (inbox / "ari" / "ari_1.fit").read_text() == "ari_1.fit"
    assert list(flat.iterdir()) == []


@pytest.mark.parametrize(
    ("pattern", "wider"),
    [("{athlete_id}_{date}.fit", "{athlete_id}_{date}"), ("*_{athlete_id}.fit", "*_{athlete_id}.*")],
)
def test_an_ending_that_keeps_files_out_is_said_with_the_pattern_that_takes_them(
    tmp_path: Path, pattern: str, wider: str
):
    names = [f"ari_ari.{ending}" for ending in ("fit", "fit.gz", "csv.gz", "tcx")]
    words = ("sort", "--from", flat_folder(tmp_path, *names, "x.fit"), "--inbox", tmp_path / "inbox", "--dry-run")
    assert f'3 of these fit --by "{wider}", which takes files of every kind.' in run(*words, "--by", pattern).output
    result = run(*words, "--by", wider)
    assert shown(result) == [["ari (new folder)", "4", "", "ari_ari.csv.gz"]]
    assert "of every kind" not in result.output


def test_the_output_stays_short_however_many_there_are(tmp_path: Path):
    flat = flat_folder(tmp_path, *(f"a{n:03}_1.fit" for n in range(300)), *(f"x{n}.fit" for n in range(300)))
    result = run("sort", "--from", flat, "--inbox", tmp_path / "inbox", "--by", "{athlete_id}_*", "--dry-run")
    assert len(result.output.splitlines()) < MOST_ATHLETES + 12
    assert shown(result)[-1][:2] == [f"and {300 - MOST_ATHLETES} more", str(300 - MOST_ATHLETES)]


def test_files_of_a_list_that_are_not_there_are_counted(tmp_path: Path):
    flat = flat_folder(tmp_path, "a.fit")
    (flat / "list.csv").write_text("file,athlete_id\na.fit,ari\nb.fit,bel\nc.fit,cai\n")
    result = run("sort", "--from", flat, "--inbox", tmp_path / "inbox", "--by", flat / "list.csv", "--dry-run")
    assert "Files of the list that are not there: 2, such as b.fit, c.fit." in result.output
    assert shown(result) == [["ari (new folder)", "1", "", "a.fit"]]


def test_wrong_use_is_explained(tmp_path: Path):
    flat = flat_folder(tmp_path, "a.fit")
    with zipfile.ZipFile(tmp_path / "club.zip", "w") as archive:
        archive.writestr("ari/a.fit", "a")
    inbox = tmp_path / "inbox"
    for words, code, message in (
        (["--from", flat], 2, "Nothing says whose the files are"),
        (["--from", flat, "--by", "nowhere.csv"], 2, "--by nowhere.csv is no file, and as a pattern"),
        (["--from", tmp_path / "club.zip", "--by", "{athlete_id}/*", "--move"], 2, "--move takes a folder"),
        (["--from", tmp_path / "empty", "--by", "device"], 2, "neither a folder nor a file"),
        (["--from", inbox, "--by", "device"], 2, "neither a folder nor a file"),
    ):
        result = run("sort", *words, "--inbox", inbox)
        assert (result.exit_code, message in result.stderr) == (code, True), result.output
    assert not inbox.exists()


def test_a_file_that_lies_in_the_inbox_is_refused_with_the_command_that_sorts_it(tmp_path: Path):
    inbox = tmp_path / "inbox"
    (inbox / "ari").mkdir(parents=True)
    (inbox / "ari" / "a.fit").write_bytes(fit_run(km=1))
    (inbox / "ari_2.fit").write_bytes(fit_run("2026-03-15T09:00:00", km=1))
    result = run("check", "--inbox", inbox)
    assert "`splitdrift sort`" in re.sub(r"[│\s]+", " ", result.output)
    assert run("sort", "--from", inbox, "--inbox", inbox, "--by", "{athlete_id}_*").exit_code == 0
    assert "2 files: 2 accepted." in run("check", "--inbox", inbox).output


def test_sessions_csv_gives_a_file_in_the_inbox_to_its_athlete(tmp_path: Path):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "x.fit").write_bytes(fit_run(km=1))
    (inbox / "sessions.csv").write_text("file,athlete_id\nx.fit,ari\n")
    result = run("check", "--inbox", inbox)
    assert result.exit_code == 0
    assert "1 file: 1 accepted." in result.output

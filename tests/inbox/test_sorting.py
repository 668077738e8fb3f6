"""Sorting: every file arrives once, under a name of its own, and none is lost, whatever happens."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from pipeline.core.errors import UsageError
from pipeline.inbox.claims import Unclaimed
from pipeline.inbox.inbox import read_inbox
from pipeline.inbox.loose_files import loose_files
from pipeline.inbox.sorting import Outcome, Plan, plan, put_into_place, read_rules, sweep
from tests.support.nights import drifting_run

BY_NAME = ("{athlete_id}_{n}.fit",)


def put(folder: Path, files: Mapping[str, str | bytes]) -> Path:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def sort(source: Path, inbox: Path, by: Sequence[str] = BY_NAME, *, move: bool = False) -> Plan:
    with loose_files(source, inbox) as loose:
        planned = plan(loose, read_rules(by, loose, inbox), inbox)
        sweep(inbox)
        assert put_into_place(loose, planned.placements, move=move) == []
    return planned


def texts(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != ".lock")
    return {path.relative_to(folder).as_posix(): path.read_text(errors="replace") for path in files}


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    return tmp_path / "inbox"


# --- What goes where -------------------------------------------------------------------------------------------------


def test_files_go_to_their_athletes_and_what_nobody_claims_waits_where_no_refresh_looks(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"ari_1.fit": "1", "deep/er/bel_1.fit": "2", "deep/x.fit": "3"})
    planned = sort(flat, inbox)
    assert texts(inbox) == {".unsorted/deep/x.fit": "3", "ari/ari_1.fit": "1", "bel/bel_1.fit": "2"}
    assert planned.new_athletes == {"ari", "bel"}
    assert [file.path for file in read_inbox(inbox).files] == ["ari/ari_1.fit", "bel/bel_1.fit"]
    assert len(texts(flat)) == 3, "copied, not moved"


def test_a_plan_changes_nothing(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"ari_1.fit": "1"})
    with loose_files(flat, inbox) as loose:
        plan(loose, read_rules(BY_NAME, loose, inbox), inbox)
    assert not inbox.exists()


def test_the_same_content_is_not_put_there_twice_under_whatever_name(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"ari_1.fit": "same", "ari_2.fit": "same", "x.fit": "same", "ari_3.fit": "more"})
    put(inbox, {"ari/2026/old.fit": "more"})
    planned = sort(flat, inbox)
    assert [one.outcome for one in planned.placements] == [
        Outcome.TO_ATHLETE, Outcome.ALREADY_THERE, Outcome.ALREADY_THERE, Outcome.UNSORTED,
    ]  # fmt: skip
    assert texts(inbox) == {"ari/ari_1.fit": "same", "ari/2026/old.fit": "more", ".unsorted/x.fit": "same"}
    sort(flat, inbox)
    assert texts(inbox) == {"ari/ari_1.fit": "same", "ari/2026/old.fit": "more"}, "known by now whose it is"


def test_a_name_that_is_taken_by_other_content_gets_a_number(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"ari_1.fit": "1", "b/ari_1.fit": "2", "c/ari_1.fit": "3"})
    put(inbox, {"ari/ari_1.fit": "0"})
    sort(flat, inbox)
    assert texts(inbox) == {
        "ari/ari_1.fit": "0", "ari/ari_1-2.fit": "1", "ari/ari_1-3.fit": "2", "ari/ari_1-4.fit": "3",
    }  # fmt: skip


def test_what_waited_leaves_when_somebody_claims_it(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"x.fit": "1", "y.fit": "2"})
    sort(flat, inbox)
    assert set(texts(inbox)) == {".unsorted/x.fit", ".unsorted/y.fit"}
    listed = put(tmp_path, {"list.csv": "file,athlete_id\nx.fit,ari\n"}) / "list.csv"
    sort(flat, inbox, [str(listed)])
    assert texts(inbox) == {".unsorted/y.fit": "2", "ari/x.fit": "1"}
    put(tmp_path, {"list.csv": "file,athlete_id\ny.fit,bel\n"})
    sort(inbox / ".unsorted", inbox, [str(listed)], move=True)
    assert texts(inbox) == {"bel/y.fit": "2", "ari/x.fit": "1"}


def test_an_archive_of_the_club_is_sorted_by_the_folders_in_it(tmp_path: Path, inbox: Path):
    with zipfile.ZipFile(tmp_path / "club.zip", "w") as archive:
        for athlete_id in ("ari", "bel"):
            for day in range(2):
                archive.writestr(f"export/{athlete_id}/{day}.fit", f"{athlete_id} {day}")
    sort(tmp_path / "club.zip", inbox, ["export/{athlete_id}/*"])
    assert texts(inbox) == {f"{name}/{day}.fit": f"{name} {day}" for name in ("ari", "bel") for day in range(2)}


def test_the_device_decides_and_learns_from_what_a_list_decided(tmp_path: Path, inbox: Path):
    put(inbox, {"ari/a.fit": drifting_run(0, serial_number=1)})
    runs = {1: "ari", 2: "bel", 3: None}
    flat = {
        f"{number}-{day}.fit": drifting_run(day, seed=day, serial_number=number) for number in runs for day in (1, 2)
    }
    put(tmp_path / "flat", flat)
    listed = put(tmp_path, {"list.csv": "file,athlete_id\n2-1.fit,bel\n"}) / "list.csv"
    planned = sort(tmp_path / "flat", inbox, [str(listed), "device"])
    assert {one.file.path: one.athlete_id or one.reason for one in planned.placements} == {
        "1-1.fit": "ari", "1-2.fit": "ari", "2-1.fit": "bel", "2-2.fit": "bel",
        "3-1.fit": Unclaimed.UNKNOWN_DEVICE, "3-2.fit": Unclaimed.UNKNOWN_DEVICE,
    }  # fmt: skip


def test_sessions_csv_of_the_inbox_sorts_where_nothing_else_is_given(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"x.fit": "1"})
    with pytest.raises(UsageError, match=r"Nothing says whose the files are. Give --by list.csv"):
        sort(flat, inbox, [])
    put(inbox, {"sessions.csv": "file,athlete_id,surface\nx.fit,ari,trail\n"})
    sort(flat, inbox, [])
    found = read_inbox(inbox)
    assert [file.path for file in found.files] == ["ari/x.fit"]
    assert found.sessions.select("file", "surface").rows() == [("ari/x.fit", "trail")]
    assert found.notices == ()


# --- Moving, and nothing lost ----------------------------------------------------------------------------------------


def test_a_moved_file_is_in_one_place_and_its_copies_are_gone(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"ari_1.fit": "1", "ari_2.fit": "1", "x.fit": "2", "y.fit": "2"})
    sort(flat, inbox, move=True)
    assert texts(flat) == {}
    assert texts(inbox) == {".unsorted/x.fit": "2", "ari/ari_1.fit": "1"}


def test_a_file_in_the_root_of_the_inbox_is_moved_out_of_it(inbox: Path):
    put(inbox, {"ari_1.fit": "1", "ari/ari_1.fit": "0", "roster.csv": "athlete_id\nari\n"})
    sort(inbox, inbox, move=True)
    assert set(texts(inbox)) == {"roster.csv", "ari/ari_1.fit", "ari/ari_1-2.fit"}


def test_a_copy_stays_where_the_first_file_could_not_be_placed(tmp_path: Path, inbox: Path):
    flat = put(tmp_path / "flat", {"ari_1.fit": "1", "ari_2.fit": "1"})
    put(inbox, {"ari": "a file where the folder should be"})
    with loose_files(flat, inbox) as loose:
        planned = plan(loose, read_rules(BY_NAME, loose, inbox), inbox)
        failed = put_into_place(loose, planned.placements, move=True)
    assert [one.file.path for one in failed] == ["ari_1.fit"]
    assert set(texts(flat)) == {"ari_1.fit", "ari_2.fit"}


@pytest.mark.parametrize("code", [errno.EPERM, errno.EXDEV])
def test_without_hard_links_files_are_written_and_renamed(
    tmp_path: Path, inbox: Path, monkeypatch: pytest.MonkeyPatch, code: int
):
    linked = os.link

    def refuses(source: Path, target: Path) -> None:
        if code == errno.EPERM or source.parent == flat:
            raise OSError(code, os.strerror(code))
        linked(source, target)

    flat = put(tmp_path / "flat", {"ari_1.fit": "1", "ari_2.fit": "2"})
    put(inbox, {"ari/ari_1.fit": "0"})
    monkeypatch.setattr(os, "link", refuses)
    sort(flat, inbox, move=True)
    assert texts(inbox) == {"ari/ari_1.fit": "0", "ari/ari_1-2.fit": "1", "ari/ari_2.fit": "2"}
    assert texts(flat) == {}


DIES = """
import os, pkgutil, signal, sys
from pathlib import Path
from pipeline.__main__ import main
where, when, turn, *words = sys.argv[1:]
owner, _, name = where.rpartition(".")
owner = pkgutil.resolve_name(owner)
kind, turns = getattr(owner, name), [0]
def dies(*arguments, **more):
    turns[0] += 1
    if turns[0] == int(turn) and when == "before":
        os.kill(os.getpid(), signal.SIGKILL)
    result = kind(*arguments, **more)
    if turns[0] == int(turn):
        os.kill(os.getpid(), signal.SIGKILL)
    return result
setattr(owner, name, dies)
main(words)
"""


@pytest.mark.slow
@pytest.mark.parametrize("move", [[], ["--move"]])
@pytest.mark.parametrize(
    "step",
    [
        ("os.link", "before", "3"),
        ("os.link", "after", "3"),
        ("pathlib.Path.unlink", "before", "3"),
        ("pathlib.Path.unlink", "after", "4"),
        ("pathlib.Path.mkdir", "after", "2"),
    ],
)
def test_a_sort_killed_at_any_step_loses_nothing_and_is_completed_by_the_same_command(
    tmp_path: Path, inbox: Path, step: tuple[str, str, str], move: list[str]
):
    flat = put(tmp_path / "flat", {f"{name}_{n}.fit": f"{name} {n}" for name in ("ari", "bel") for n in range(4)})
    put(flat, {"x.fit": "nobody's"})
    wanted = Counter(texts(flat).values())
    words = ["sort", "--from", str(flat), "--inbox", str(inbox), "--by", BY_NAME[0], *move]
    root = Path(__file__).parents[2]
    died = subprocess.run([sys.executable, "-c", DIES, *step, *words], cwd=root, capture_output=True, check=False)
    assert died.returncode == -9, died.stderr.decode()
    whole = {text for folder in (flat, inbox) for name, text in texts(folder).items() if ".sorting-" not in name}
    assert set(wanted) <= whole, "every file is still somewhere, whole"
    sort(flat, inbox, move=bool(move))
    assert Counter(texts(inbox).values()) == wanted
    assert not move or texts(flat) == {}

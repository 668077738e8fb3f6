"""What there is to sort: recordings of folders and archives, without what computers leave there."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from pipeline.core.errors import NothingDone, UsageError
from pipeline.inbox.loose_files import loose_files, numbered


def put(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    return folder


def paths(place: Path, inbox: Path, without: Path | None = None) -> tuple[list[str], dict[str, int]]:
    with loose_files(place, inbox, without=without) as loose:
        return [file.path for file in loose.files], dict(loose.skipped)


def test_recordings_of_all_folders_are_found_and_other_files_counted(tmp_path: Path):
    names = ("b.fit", "a/x.FIT.gz", "a/y.csv", "all.zip", "notes.txt", "README", "roster.csv", "sub/sessions.csv")
    left = ("Thumbs.db", "a/desktop.ini", ".DS_Store", "__MACOSX/b.fit", "._b.fit", ".hidden/c.fit")
    found, skipped = paths(put(tmp_path / "flat", *names, *left), tmp_path / "inbox")
    assert found == ["a/x.FIT.gz", "a/y.csv", "all.zip", "b.fit"]
    assert skipped == {".txt": 1, "without an ending": 1, "lists of an inbox": 2}


def test_of_the_inbox_only_its_root_is_sorted_and_of_a_folder_around_it_only_the_rest(tmp_path: Path):
    put(tmp_path, "inbox/ari/a.fit", "inbox/loose.fit", "other/b.fit")
    assert paths(tmp_path / "inbox", tmp_path / "inbox")[0] == ["loose.fit"]
    assert paths(tmp_path, tmp_path / "inbox")[0] == ["other/b.fit"]


def test_the_list_to_sort_by_is_not_sorted_and_links_are_left_alone(tmp_path: Path):
    flat = put(tmp_path / "flat", "list.csv", "a.fit")
    (flat / "link.fit").symlink_to(flat / "a.fit")
    assert paths(flat, tmp_path / "inbox", flat / "list.csv") == (["a.fit"], {"links": 1})


def test_members_of_an_archive_are_found_but_none_that_lead_out_of_it(tmp_path: Path):
    with zipfile.ZipFile(tmp_path / "club.zip", "w") as archive:
        for name in ("ari/a.fit", "b.fit", "../up.fit", "/root.fit", "__MACOSX/b.fit", "Thumbs.db"):
            archive.writestr(name, name)
    with loose_files(tmp_path / "club.zip", tmp_path / "inbox") as loose:
        assert {file.path: loose.read(file) for file in loose.files} == {"ari/a.fit": b"ari/a.fit", "b.fit": b"b.fit"}
        assert loose.skipped == {"with a path that leads out of the archive": 2}


def test_a_damaged_member_is_an_error_of_that_file(tmp_path: Path):
    with zipfile.ZipFile(tmp_path / "club.zip", "w") as archive:
        archive.writestr("a.fit", "intact")
    content = (tmp_path / "club.zip").read_bytes().replace(b"intact", b"broken")
    (tmp_path / "club.zip").write_bytes(content)
    with (
        loose_files(tmp_path / "club.zip", tmp_path) as loose,
        pytest.raises(OSError, match=r"a\.fit cannot be unpacked"),
    ):
        loose.read(loose.files[0])


@pytest.mark.parametrize(
    ("name", "error", "message"),
    [
        ("nowhere", UsageError, "neither a folder nor a file"),
        ("flat/notes.txt", UsageError, "no ZIP archive"),
        ("flat", NothingDone, r"holds no recordings to sort \(there: 1 .txt\)"),
    ],
)
def test_what_cannot_be_sorted_is_named(tmp_path: Path, name: str, error: type[Exception], message: str):
    put(tmp_path / "flat", "notes.txt")
    with pytest.raises(error, match=message), loose_files(tmp_path / name, tmp_path / "inbox"):
        pass


def test_a_number_goes_before_the_endings():
    assert [numbered(name, 2) for name in ("a.fit", "a.fit.gz", "a.b.csv", "a")] == [
        "a-2.fit", "a-2.fit.gz", "a.b-2.csv", "a-2",
    ]  # fmt: skip
    assert numbered("a.fit", 1) == "a.fit"

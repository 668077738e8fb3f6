"""What a state holds is noted when it is written, and whatever differs from that is found."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.core.errors import Damaged, Fault, NothingDone
from pipeline.store.contents import CONTENTS, SCHEMA, WHOLE, Contents, contents_of, digests, read_checked
from pipeline.store.generations import building, current, generations, link_tree, prepare, published
from pipeline.store.layout import read_file

FILES = {"tables/runs/runs.parquet": b"runs", "known/keys.json": b"{}", "exports/runs.csv": b"a,b\n1,2\n"}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    prepare(tmp_path / "store")
    with building(tmp_path / "store", keep=5) as built:
        for name, content in FILES.items():
            (built / name).parent.mkdir(parents=True)
            (built / name).write_bytes(content)
    return tmp_path / "store"


def noted(store: Path) -> Contents:
    contents = contents_of(published(store))
    assert contents is not None
    return contents


def never(_name: str) -> bool:
    return False


def always(_name: str) -> bool:
    return True


def test_a_state_notes_length_and_digest_of_every_file(store: Path):
    written = noted(store).files
    expected = {name: (len(content), hashlib.sha256(content).hexdigest()) for name, content in FILES.items()}
    assert {name: (file.n_bytes, file.digest) for name, file in written.items()} == expected
    assert noted(store).faults(always) == {}


@pytest.mark.parametrize("n_files", [0, 1, 63, 64, 200])
def test_files_have_the_digests_of_their_contents_however_many_threads_share_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_files: int
):
    monkeypatch.setattr(os, "cpu_count", lambda: 4)
    names = [f"{number}.csv" for number in range(n_files)]
    for name in names:
        (tmp_path / name).write_text(name, encoding="ascii")
    assert digests(tmp_path, names) == {name: hashlib.sha256(name.encode("ascii")).hexdigest() for name in names}


def keep_time(path: Path, content: bytes) -> None:
    before = path.stat()
    path.write_bytes(content)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


#: What is done to a file, what a look at lengths and times finds, and what a comparison of contents does.
HARMS: dict[str, tuple[str, Callable[[Path], object], dict[str, Fault], dict[str, Fault]]] = {
    "gone": ("known/keys.json", Path.unlink, {"known/keys.json": Fault.MISSING}, {"known/keys.json": Fault.MISSING}),
    "cut": (
        "exports/runs.csv", lambda path: path.write_bytes(b"a,b\n1"),
        {"exports/runs.csv": Fault.LENGTH}, {"exports/runs.csv": Fault.LENGTH},
    ),
    "other bytes": (
        "known/keys.json", lambda path: path.write_bytes(b"[]"),
        {"known/keys.json": Fault.CONTENT}, {"known/keys.json": Fault.CONTENT},
    ),
    "a bit that the disk lost": (
        "known/keys.json", lambda path: keep_time(path, b"{ "), {}, {"known/keys.json": Fault.CONTENT},
    ),
    "touched": ("known/keys.json", lambda path: os.utime(path, (1, 1)), {}, {}),
    "a file in a table": (
        "tables/runs/more.parquet", lambda path: path.write_bytes(b"runs"),
        {"tables/runs/more.parquet": Fault.FOREIGN}, {"tables/runs/more.parquet": Fault.FOREIGN},
    ),
    "a hidden file of the system": ("tables/runs/.listing", lambda path: path.write_bytes(b"x"), {}, {}),
    "a file among the exports": ("exports/~runs.csv", lambda path: path.write_bytes(b"x"), {}, {}),
}  # fmt: skip


@pytest.mark.parametrize("what", HARMS)
def test_what_differs_from_what_was_written_is_found(store: Path, what: str):
    name, harm, by_time, by_content = HARMS[what]
    harm(published(store) / name)
    assert (noted(store).faults(never), noted(store).faults(always)) == (by_time, by_content)


@pytest.mark.parametrize("what", ["gone", "other bytes", "a bit that the disk lost", "a file in a table"])
def test_what_differs_is_not_read(store: Path, what: str):
    name, harm, _, found = HARMS[what]
    harm(published(store) / name)
    with pytest.raises(Damaged) as error:
        read_checked(published(store), name)
    assert error.value.faults == found


def test_a_file_that_cannot_be_read_is_named(store: Path):
    file = published(store) / "known" / "keys.json"
    file.unlink()
    file.mkdir()  # opened, it gives the error that a lost sector gives
    assert noted(store).faults_of_content(["known/keys.json"]) == {"known/keys.json": Fault.UNREADABLE}


@pytest.mark.parametrize("name", [WHOLE, CONTENTS])
@pytest.mark.parametrize("content", [None, b"", b"{}\n", b"[]\n\n"], ids=["gone", "empty", "other", "more"])
def test_a_state_whose_own_notes_are_damaged_is_not_read_and_not_removed(store: Path, name: str, content: bytes | None):
    state = published(store)
    (state / name).unlink() if content is None else (state / name).write_bytes(content)
    with pytest.raises(Damaged, match=f"{name} (is missing|has another content)") as error:
        published(store)
    assert f"`splitdrift verify --store {store} --repair`" in str(error.value)
    with building(store, keep=5):
        assert state.is_dir()
    assert published(store).name == "000002"


def rewritten(state: Path, **noted: object) -> None:
    about = json.dumps(json.loads((state / WHOLE).read_bytes().splitlines()[0]) | noted)
    (state / WHOLE).write_text(f"{about}\n{hashlib.sha256(about.encode()).hexdigest()}\n")


def test_the_state_of_a_newer_version_is_refused_with_the_version_needed(store: Path):
    rewritten(published(store), schema=SCHEMA + 1, version="9.1")
    with pytest.raises(NothingDone, match=rf"in schema {SCHEMA + 1}; .* Install splitdrift 9\.1 or later") as error:
        published(store)
    assert not isinstance(error.value, Damaged)


def test_the_state_of_a_version_that_noted_nothing_can_be_read_and_has_no_contents(store: Path):
    (published(store) / WHOLE).write_bytes(b"")
    (generations(store)[0] / CONTENTS).unlink()
    assert contents_of(published(store)) is None
    with pytest.raises(Damaged, match=r"runs\.parquet cannot be read"):
        read_file(published(store), "tables/runs/runs.parquet")


def test_a_shared_file_keeps_its_digest_without_being_read(store: Path):
    before = published(store)
    keep_time(before / "exports" / "runs.csv", b"a,b\n1,3\n")
    with building(store, keep=5) as built:
        link_tree(before, built, Path())
    assert noted(store).faults(never) == {}
    assert noted(store).faults(always) == {"exports/runs.csv": Fault.CONTENT}, "what the disk lost is still known"


def test_a_state_that_shares_a_file_changed_since_is_not_published(store: Path):
    before = published(store)
    (before / "exports" / "runs.csv").write_bytes(b"a,b\n1,3\n")

    def build_on_it() -> None:
        with building(store, keep=5) as built:
            link_tree(before, built, Path())

    with pytest.raises(Damaged, match=r"exports/runs\.csv has another content"):
        build_on_it()
    assert current(store) == before

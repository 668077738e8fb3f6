"""What a state holds is noted when it is written, and whatever differs from that is found."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType

import pytest

from pipeline.core.errors import Damaged, Fault, NothingDone
from pipeline.store.contents import (
    BY_ATHLETE,
    CONTENTS,
    LISTS,
    LISTS_OF_A_SECTION,
    SCHEMA,
    WHOLE,
    Contents,
    contents_of,
    digests,
    read_checked,
)
from pipeline.store.generations import building, current, generations, link_tree, prepare, published
from pipeline.store.layout import partition, read_file
from pipeline.store.sections import section_of
from pipeline.tables import PARTITIONED

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


# --- Of a club in several sections -----------------------------------------------------------------------------------

ATHLETES = [f"athlete {number}" for number in range(40)]
OF_ATHLETES = {f"tables/samples/athlete_id={name}/month=2026-03/0.parquet": name.encode() for name in ATHLETES}
STRANGE = {f"{partition('splits', 'a=b%c')}/0.parquet": b"splits", "pages/athletes/bo/index.html": b"page"}


def written_in(store: Path, n_sections: int | None, files: Mapping[str, bytes] = MappingProxyType({})) -> Path:
    """The next state of a store: what the one before has, and more files."""
    prepare(store)
    before = current(store)
    with building(store, keep=9, n_sections=n_sections) as built:
        if before is not None:
            link_tree(before, built, Path())
        for name, content in files.items():
            (built / name).parent.mkdir(parents=True, exist_ok=True)
            (built / name).write_bytes(content)
    return published(store)


@pytest.fixture
def divided(tmp_path: Path) -> Path:
    """A store of 42 athletes in four sections."""
    return written_in(tmp_path / "divided", 4, FILES | OF_ATHLETES | STRANGE).parents[1]


def lists_of(state: Path) -> list[str]:
    return [f"{LISTS}/{path.name}" for path in sorted((state / LISTS).iterdir())]


def test_a_state_in_one_section_has_one_list_that_older_versions_read(tmp_path: Path):
    state = written_in(tmp_path / "store", 1, FILES | OF_ATHLETES)
    about = json.loads((state / WHOLE).read_bytes().splitlines()[0])
    assert (about["schema"], (state / LISTS).exists()) == (1, False)
    assert list(json.loads((state / CONTENTS).read_bytes())) == sorted(FILES | OF_ATHLETES)


def test_files_of_athletes_are_in_lists_of_their_own_that_older_versions_do_not_read(divided: Path):
    state, contents = published(divided), noted(divided)
    assert contents.schema == SCHEMA == 2
    assert sorted(contents.files) == sorted(FILES)
    found = [json.loads((state / name).read_bytes()) for name in lists_of(state)]
    assert len(found) == contents.n_sections * LISTS_OF_A_SECTION == 64
    assert sorted(name for files in found for name in files) == sorted(OF_ATHLETES | STRANGE)
    assert contents.n_files == len(FILES | OF_ATHLETES | STRANGE)
    assert contents.faults(always) == {}
    assert {name: contents.read(name) for name in OF_ATHLETES} == OF_ATHLETES


def test_all_partitioned_tables_are_divided():
    assert {f"tables/{table}" for table in PARTITIONED} < BY_ATHLETE


@pytest.mark.parametrize("athlete_id", [*ATHLETES[:5], "a=b%c", "élan", "%3D"])
def test_the_lists_of_a_section_are_of_its_athletes_alone(divided: Path, athlete_id: str):
    name = noted(divided).list_of(f"{partition('splits', athlete_id)}/0.parquet")
    assert name.startswith(f"{LISTS}/{section_of(athlete_id, 64).number:05d}")
    assert section_of(athlete_id, 64).number % 4 == section_of(athlete_id, 4).number


def test_what_is_below_a_folder_is_found_in_whatever_list(divided: Path):
    contents = noted(divided)
    below = ["tables", "tables/samples", "tables/samples/athlete_id=athlete 7", "tables/runs", "tables/none", "known"]
    for folder in below:
        expected = [name for name in sorted(FILES | OF_ATHLETES | STRANGE) if name.startswith(f"{folder}/")]
        assert contents.below(folder) == expected, folder


def test_what_differs_from_what_was_written_is_found_in_each_list(divided: Path):
    state = published(divided)
    gone, cut, changed, lost, foreign = (f"tables/samples/athlete_id={name}/month=2026-03/0.parquet" for name in (
        "athlete 1", "athlete 2", "athlete 3", "athlete 4", "stranger \udce9"))  # fmt: skip
    (state / gone).unlink()
    (state / cut).write_bytes(b"")
    (state / changed).write_bytes(b"athlete 0")
    keep_time(state / lost, b"athlete 0")
    (state / foreign).parent.mkdir(parents=True)
    (state / foreign).write_bytes(b"")
    expected = {gone: Fault.MISSING, cut: Fault.LENGTH, changed: Fault.CONTENT, foreign: Fault.FOREIGN}
    assert noted(divided).faults(never) == expected
    assert noted(divided).faults(always) == expected | {lost: Fault.CONTENT}


def flipped(text: bytes) -> bytes:
    return text[:-3] + bytes([text[-3] ^ 1]) + text[-2:]


HARMS_OF_A_LIST: dict[str, Callable[[Path, Path], object]] = {
    "gone": lambda path, _: path.unlink(),
    "flipped": lambda path, _: path.write_bytes(flipped(path.read_bytes())),
    "empty": lambda path, _: path.write_bytes(b"{}"),
    "of another": lambda path, other: shutil.copyfile(other, path),
}


@pytest.mark.parametrize("harm", HARMS_OF_A_LIST)
def test_a_damaged_list_is_named_and_none_of_its_files_is_read(divided: Path, harm: str):
    state, contents = published(divided), noted(divided)
    of, other = (contents.list_of(partition("samples", name).as_posix()) for name in ATHLETES[:2])
    HARMS_OF_A_LIST[harm](state / of, state / other)
    fault = {of: Fault.MISSING if harm == "gone" else Fault.CONTENT}
    lost = next(name for name in OF_ATHLETES if contents.list_of(name) == other)
    keep_time(state / lost, OF_ATHLETES[lost][::-1])
    assert contents.faults(never) == fault
    assert contents.faults(always) == fault | {lost: Fault.CONTENT}, "other lists are relied on"
    for name in OF_ATHLETES:
        if contents.list_of(name) == of:
            with pytest.raises(Damaged) as error:
                read_checked(state, name)
            assert error.value.faults == fault


def test_two_lists_that_changed_places_are_both_damaged(divided: Path):
    state, contents = published(divided), noted(divided)
    one, other = sorted({contents.list_of(name) for name in OF_ATHLETES})[:2]
    texts = (state / one).read_bytes(), (state / other).read_bytes()
    (state / other).write_bytes(texts[0])
    (state / one).write_bytes(texts[1])
    assert contents.faults(never) == {one: Fault.CONTENT, other: Fault.CONTENT}


@pytest.mark.parametrize(("before", "now", "lists"), [(4, None, 64), (4, 8, 128), (4, 1, 0), (1, 4, 64), (8, 2, 32)])
def test_shared_files_keep_their_digests_however_many_lists_there_are(
    tmp_path: Path, before: int, now: int | None, lists: int
):
    state = written_in(tmp_path / "store", before, FILES | OF_ATHLETES)
    name = next(iter(OF_ATHLETES))
    keep_time(state / name, OF_ATHLETES[name][::-1])
    state = written_in(tmp_path / "store", now)
    assert len(list(state.glob(f"{LISTS}/*"))) == lists
    assert noted(tmp_path / "store").faults(never) == {}
    assert noted(tmp_path / "store").faults(always) == {name: Fault.CONTENT}, "what the disk lost is still known"
    (state / name).write_bytes(b"more")
    with pytest.raises(Damaged, match=r"0\.parquet has another content"):
        written_in(tmp_path / "store", now)

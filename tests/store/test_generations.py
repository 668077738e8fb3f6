"""Generations: a state of the store is published whole or not at all, and can be returned to."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest

from pipeline.core.errors import LockLost, NothingDone, UsageError
from pipeline.store.generations import building, current, generations, is_store, link_tree, point_to, prepare, published
from pipeline.store.lock import locked


def publish(store: Path, word: str, *, keep: int = 5) -> None:
    prepare(store)
    with building(store, keep=keep) as built:
        (built / "tables").mkdir()
        (built / "tables" / "word.txt").write_text(word)


def publish_half(store: Path) -> None:
    prepare(store)
    with building(store, keep=5) as built:
        (built / "tables").mkdir()
        (built / "tables" / "word.txt").write_text("half")
        raise RuntimeError("half way")


def word(store: Path) -> str:
    return (store / "tables" / "word.txt").read_text()


def names(store: Path) -> list[str]:
    return [folder.name for folder in generations(store)]


def test_a_store_is_made_with_its_parents_for_its_owner_alone_and_shows_the_newest_state(tmp_path: Path):
    store = tmp_path / "a" / "b"
    publish(store, "first")
    assert word(store) == "first"
    publish(store, "second")
    assert word(store) == "second"
    assert store.stat().st_mode & 0o777 == 0o700
    assert names(store) == ["000001", "000002"]


def test_what_a_state_no_longer_has_is_gone(tmp_path: Path):
    store = tmp_path / "store"
    publish(store, "first")
    with building(store, keep=5) as built:
        (built / "exports").mkdir()
    assert not (store / "tables").exists()
    assert (store / "exports").is_dir()


def test_an_error_while_building_leaves_the_old_state_and_nothing_else(tmp_path: Path):
    store = tmp_path / "store"
    publish(store, "first")
    with pytest.raises(RuntimeError, match="half way"):
        publish_half(store)
    assert word(store) == "first"
    assert [folder.name for folder in (store / "generations").iterdir()] == ["000001"]


def test_a_build_that_fails_since_its_store_was_removed_leaves_alone_what_another_builds_there(tmp_path: Path):
    store = tmp_path / "store"
    prepare(store)

    def build() -> None:
        with locked(store) as check_still_held, building(store, keep=5, check_still_held=check_still_held) as built:
            shutil.rmtree(store)
            built.mkdir(parents=True)
            (built / "anothers").touch()
            (built / "gathered" / "ours").read_bytes()

    with pytest.raises(LockLost):
        build()
    assert [file.name for file in store.glob("generations/000001/*")] == ["anothers"]


def test_a_state_that_cannot_be_made_the_valid_one_is_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    store = tmp_path / "store"
    publish(store, "first")

    def refuse(_source: Path, target: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(target))

    with monkeypatch.context() as denied:
        denied.setattr("os.replace", refuse)
        for _ in range(3):
            with pytest.raises(PermissionError):
                publish(store, "never", keep=2)
    assert (word(store), names(store)) == ("first", ["000001"])


def test_a_state_is_on_the_disk_before_it_is_called_whole_and_before_it_is_valid(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    store = tmp_path / "store"
    publish(store, "first")
    on_disk: list[tuple[str, list[str], str]] = []

    def sync() -> None:
        built = store / "generations" / "000002" / "tables" / "word.txt"
        on_disk.append((built.read_text(), names(store), word(store)))

    monkeypatch.setattr(os, "sync", sync)
    publish(store, "second")
    assert on_disk == [
        ("second", ["000001"], "first"),
        ("second", ["000001", "000002"], "first"),
    ]
    assert word(store) == "second"


def test_what_a_killed_process_left_is_never_seen_and_removed_by_the_next(tmp_path: Path):
    store = tmp_path / "store"
    publish(store, "first")
    (store / "generations" / "000002" / "tables").mkdir(parents=True)
    (store / "generations" / "000002" / "tables" / "word.txt").write_text("half")
    (store / ".current").symlink_to("generations/000002")
    assert word(store) == "first"
    assert names(store) == ["000001"]
    publish(store, "second")
    assert (word(store), names(store)) == ("second", ["000001", "000003"])


def test_a_reader_who_followed_the_link_once_keeps_the_state_that_it_found(tmp_path: Path):
    store = tmp_path / "store"
    publish(store, "first")
    folder = published(store)
    publish(store, "second")
    assert (folder / "tables" / "word.txt").read_text() == "first"
    assert published(folder) == folder


def test_the_oldest_states_make_room_for_new_ones(tmp_path: Path):
    store = tmp_path / "store"
    for number in range(1, 5):
        publish(store, str(number), keep=2)
    assert names(store) == ["000003", "000004"]


@pytest.mark.parametrize("is_relative", [False, True])
def test_the_store_returns_to_an_old_state_which_is_then_not_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_relative: bool
):
    monkeypatch.chdir(tmp_path)
    store = Path("store") if is_relative else tmp_path / "store"
    for text in ("first", "second", "third"):
        publish(store, text)
    point_to(store, generations(store)[0])
    assert word(store) == "first"
    with pytest.raises(RuntimeError, match="half way"):
        publish_half(store)
    assert word(store) == "first"
    with building(store, keep=2) as built:
        assert word(store) == "first"
        (built / "tables").mkdir()
        (built / "tables" / "word.txt").write_text("fourth")
    assert (word(store), names(store)) == ("fourth", ["000003", "000004"])


def test_a_linked_file_is_the_same_file_and_the_marker_of_a_whole_state_is_not_linked(tmp_path: Path):
    store = tmp_path / "store"
    publish(store, "first")
    before = published(store)
    with building(store, keep=5) as built:
        link_tree(before, built, Path())
        assert not (built / "whole").exists()
    assert (before / "tables" / "word.txt").samefile(built / "tables" / "word.txt")


def test_where_files_cannot_have_two_names_they_are_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "a.txt").write_text("a")

    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    link_tree(tmp_path / "old", tmp_path / "new", Path())
    assert (tmp_path / "new" / "a.txt").read_text() == "a"


def test_only_what_is_wanted_is_linked(tmp_path: Path):
    for name in ("a", "b"):
        (tmp_path / "old" / name).mkdir(parents=True)
        (tmp_path / "old" / name / "x.txt").write_text(name)
    link_tree(tmp_path / "old", tmp_path / "new", Path(), wanted=lambda file: file == Path("a/x.txt"))
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["a"]


def test_a_folder_that_cannot_be_read_stops_the_next_state_instead_of_missing_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    (tmp_path / "old" / "tables" / "a").mkdir(parents=True)
    (tmp_path / "old" / "tables" / "a" / "x.txt").write_text("a")
    look_into = os.scandir

    def no_disk(folder: str | Path) -> object:
        if str(folder).endswith("a"):
            raise OSError(errno.EIO, "Input/output error", str(folder))
        return look_into(folder)

    monkeypatch.setattr(os, "scandir", no_disk)
    with pytest.raises(OSError, match="Input/output error"):
        link_tree(tmp_path / "old", tmp_path / "new", Path("tables"))
    link_tree(tmp_path / "old", tmp_path / "new", Path("absent"))


def test_a_folder_that_holds_other_things_is_no_store(tmp_path: Path):
    (tmp_path / "letter.txt").write_text("dear coach")
    assert not is_store(tmp_path)
    with pytest.raises(UsageError, match=r"holds other things than a store of splitdrift; name an empty or new folder"):
        prepare(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_store_that_was_copied_without_its_links_says_so_and_is_left_alone(tmp_path: Path):
    publish(tmp_path / "store", "first")
    for part in ("generations", "tables"):
        shutil.copytree(tmp_path / "store" / part, tmp_path / "copy" / part)
    with pytest.raises(UsageError, match="has folders where a store has links into its valid state"):
        prepare(tmp_path / "copy")
    (tmp_path / "old" / "tables").mkdir(parents=True)
    with pytest.raises(NothingDone, match="made by an earlier version"):
        published(tmp_path / "old")


def test_a_file_is_no_store(tmp_path: Path):
    (tmp_path / "store").write_text("")
    with pytest.raises(UsageError, match=r"--store .*store is a file; it takes a folder"):
        prepare(tmp_path / "store")


def test_other_files_in_a_store_are_left_alone(tmp_path: Path):
    publish(tmp_path / "store", "first")
    (tmp_path / "store" / "notes.txt").write_text("mine")
    publish(tmp_path / "store", "second")
    assert (tmp_path / "store" / "notes.txt").read_text() == "mine"


def test_a_store_without_a_state_says_how_to_make_one(tmp_path: Path):
    assert current(tmp_path) is None
    with pytest.raises(
        NothingDone, match=r"is not a store yet\. `splitdrift refresh --inbox DIR --store .*` makes one"
    ):
        published(tmp_path)


def test_an_empty_folder_that_becomes_a_store_is_closed_to_others(tmp_path: Path):
    (tmp_path / "store").mkdir(mode=0o755)
    publish(tmp_path / "store", "first")
    assert (tmp_path / "store").stat().st_mode & 0o777 == 0o700

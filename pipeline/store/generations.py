"""Generations: each refresh makes a whole new state of the store beside the old ones, and one link says which is valid.

    store/generations/000007/...    a state: tables, exports, the DuckDB file, what the next refresh needs to know
    store/current                   a link to the valid one; replaced in one step of the file system
    store/tables, exports, ...      links into `current`, so that people find everything in its usual place

What is not linked to is not seen, so a process may die at any instant: what it left is removed by the next. All of a
state is on the disk before its link is made, so the machine may die too. Files that do not change from one generation
to the next are one file with several names (hard links). A program that reads several files should follow `current`
once and read below that (`published`): its generation then stays as it was.

In an object store, which knows no links, `current` is an object that holds the generation's name, written last; files
that do not change are copied inside the store, and there are no names outside the generations.
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.core.errors import NothingDone, UsageError
from pipeline.core.places import copy_objects, files_below, is_remote, remove_tree
from pipeline.store.lock import LOCK

#: Parts of a state that a store shows under its own name.
PARTS = ("pages", "tables", "exports", "rejected", "settings.toml", "splitdrift.duckdb")

_FOLDER, _CURRENT = "generations", "current"
#: An empty file that says that a generation is complete, written last.
_WHOLE = "whole"
_DIGITS = 6
#: What a file system says that knows no second names, or has no more for this file.
_NO_LINKS = frozenset({errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV})


def prepare(store: Path) -> None:
    """Make the folder of a store, open to its owner alone, or see that it is one.

    Raises:
        UsageError: it is a file, or a folder that holds something else.
    """
    if is_remote(store):
        others = [path for path in files_below(store) if path.name != LOCK] if not is_store(store) else []
        if others:
            raise UsageError(f"--store {store} holds other things than a store of splitdrift; name a new address.")
        return
    if store.exists() and not store.is_dir():
        raise UsageError(f"--store {store} is a file; it takes a folder, which is made if it does not exist.")
    if _is_unlinked(store):
        raise UsageError(f"--store {store} {_UNLINKED}")
    if store.is_dir() and any(one.name != LOCK for one in store.iterdir()) and not is_store(store):
        raise UsageError(f"--store {store} holds other things than a store of splitdrift; name an empty or new folder.")
    if not is_store(store):
        store.mkdir(parents=True, exist_ok=True)
        store.chmod(0o700)
    (store / _FOLDER).mkdir(exist_ok=True)


_UNLINKED = (
    "has folders where a store has links into its valid state: it was copied without them, or made by an earlier "
    "version. Name a new folder; a refresh makes everything anew."
)


def _is_unlinked(store: Path) -> bool:
    return not is_remote(store) and any((store / part).exists() and not (store / part).is_symlink() for part in _OWN)


#: Names that only a store has, of what a store shows under its own name.
_OWN = ("tables", "splitdrift.duckdb")


def is_store(folder: Path) -> bool:
    """Whether a folder is a store, or the beginning of one."""
    return (folder / _FOLDER).is_dir()


def current(store: Path) -> Path | None:
    """The folder of the valid state; None where nothing is published yet. It stays as it is; `current` moves on."""
    try:
        if is_remote(store):
            return store / _FOLDER / (store / _CURRENT).read_text(encoding="ascii")
        return (store / _CURRENT).resolve(strict=True)
    except (FileNotFoundError, NotADirectoryError):
        return None


def published(store: Path) -> Path:
    """The folder of the valid state.

    Args:
        store: a store, or already the folder of one of its states.

    Raises:
        NothingDone: there is none yet.
    """
    if (store / _WHOLE).is_file():
        return store
    folder = current(store)
    if folder is None and _is_unlinked(store):
        raise NothingDone(f"{store} {_UNLINKED}")
    if folder is None:
        raise NothingDone(f"{store} is not a store yet. `splitdrift refresh --inbox DIR --store {store}` makes one.")
    return folder


def generations(store: Path) -> list[Path]:
    """The folders of all complete states, oldest first."""
    return sorted(marker.parent for marker in (store / _FOLDER).glob(f"*/{_WHOLE}"))


@contextmanager
def building(store: Path, *, keep: int) -> Iterator[Path]:
    """A folder to build the next state in; published when the block ends well, removed when it does not.

    The caller holds the store's lock.

    Args:
        store: prepared.
        keep: so many generations are kept, this one among them.
    """
    there = list((store / _FOLDER).glob("*"))
    sweep(store, keep=keep)
    # Past what was left too: a worker that outlived its parent may still write there.
    number = 1 + max((int(one.name[:_DIGITS]) for one in there if one.name[:_DIGITS].isdigit()), default=0)
    folder = store / _FOLDER / f"{number:0{_DIGITS}d}"
    if is_remote(store):
        # Whoever lost the lock without knowing may be building too: each in a place of his own.
        folder = store / _FOLDER / f"{folder.name}-{secrets.token_hex(4)}"
    else:
        folder.mkdir()  # an error where something could not be removed: nothing is built on what somebody left
    try:
        yield folder
        _settle(store)
        (folder / _WHOLE).write_bytes(b"")
        _settle(store)
        point_to(store, folder)
    except BaseException:
        if not _is_valid(store, folder):  # an interrupt may come when all is done
            remove_tree(folder)
        raise
    sweep(store, keep=keep)


def _settle(store: Path) -> None:
    """Have all that was written on the disk first: a power cut may keep what comes later and lose what came before."""
    if not is_remote(store):
        os.sync()


def sweep(store: Path, *, keep: int) -> None:
    """Remove what a dying process left half done or half removed, and the oldest states beyond `keep`.

    The caller holds the store's lock.
    """
    whole = generations(store)
    for left in (store / _FOLDER).glob("*"):
        if left not in whole:
            remove_tree(left)
    for old in whole[:-keep]:
        if not _is_valid(store, old):
            _remove(old)


def _is_valid(store: Path, generation: Path) -> bool:
    """By name: a store may have been named by a relative path, its valid state never is."""
    valid = current(store)
    return valid is not None and valid.name == generation.name


def point_to(store: Path, generation: Path) -> None:
    """Make a complete generation the valid one, in one step."""
    if is_remote(store):
        (store / _CURRENT).write_text(generation.name, encoding="ascii")
        return
    for part in PARTS:
        if not (store / part).is_symlink():
            (store / part).symlink_to(Path(_CURRENT) / part)
    beside = store / f".{_CURRENT}"
    beside.unlink(missing_ok=True)
    try:
        beside.symlink_to(generation.relative_to(store))
    except OSError as error:  # which names what the link points to, not the place that refused it
        raise OSError(error.errno, error.strerror, str(beside)) from error
    os.replace(beside, store / _CURRENT)


def _remove(generation: Path) -> None:
    # Its marker goes first: half removed it is no longer whole.
    (generation / _WHOLE).unlink()
    remove_tree(generation)


def link_tree(before: Path, built: Path, relative: Path, *, wanted: Callable[[Path], bool] | None = None) -> int:
    """Give the files below a folder of one generation a second name in the next.

    Args:
        before: folder of the older generation.
        built: folder of the one being built.
        relative: what to take over; nothing happens where it does not exist.
        wanted: which files, by their path in the generation; None for all.

    Returns:
        How many files that were.
    """
    if is_remote(before):
        root = before / relative.as_posix() if relative.parts else before
        found = [Path(file.relative_to(before).as_posix()) for file in files_below(root)]
        taken = [one.as_posix() for one in found if one.name != _WHOLE and (wanted is None or wanted(one))]
        copy_objects([before / one for one in taken], [built / one for one in taken])
        return len(taken)
    n_linked = 0
    if not (before / relative).is_dir():
        return n_linked
    for folder, _, names in os.walk(before / relative, onerror=_stop):
        inside = Path(folder).relative_to(before)
        chosen = [name for name in names if name != _WHOLE and (wanted is None or wanted(inside / name))]
        if chosen:
            (built / inside).mkdir(parents=True, exist_ok=True)
        for name in chosen:
            _link(before / inside / name, built / inside / name)
        n_linked += len(chosen)
    return n_linked


def _stop(error: OSError) -> None:
    """What cannot be looked into would be missing in the next state, and nobody would be told."""
    raise error


def _link(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        shutil.copyfile(source, target)

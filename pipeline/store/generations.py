"""Generations: each refresh builds a complete new state of the store next to the old ones; a link names the valid one.

    store/generations/000007/...    a state: tables, exports, the DuckDB file, what the next refresh needs to know
    store/current                   a link to the valid one; replaced in one step of the file system
    store/tables, exports, ...      links into `current`, so that the paths of tables and exports never change

Readers follow the link, so a process may be killed at any instant: what it left is removed by the next one. A state is
synced to disk before its link is made, so the machine may lose power too. Files that do not change from one generation
to the next are shared (hard links). A program that reads several files should follow `current` once and read below that
(`published`): its generation does not change.

An object store has no links: `current` is an object that holds the generation's name, written last, if no one else has
written it; files that do not change are copied inside the store, and all paths lead into the generations.
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import gettempdir

from pipeline.core.errors import Damaged, Fault, LockLost, NothingDone, UsageError
from pipeline.core.places import copy_objects, files_below, is_remote, put_if, read_tagged, remove_tree, replacing
from pipeline.store.contents import WHOLE, Contents, contents_of, is_note, mark_whole, write_contents
from pipeline.store.lock import LOCK

#: Parts of a state that have a link of the same name in the store itself.
PARTS = ("pages", "tables", "exports", "rejected", "settings.toml", "splitdrift.duckdb")

_FOLDER, _CURRENT = "generations", "current"
_DIGITS = 6
#: Folder, in a state that is being built, of results that the next refresh can go on from; see `finished`.
FINISHED = "finished"
#: In it: an empty file that says that all of it is on the disk, and outlasts a restart of the machine.
SYNCED = "synced"
#: Error codes of file systems without hard links, or with no more of them for this file.
_NO_LINKS = frozenset({errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV})


def prepare(store: Path) -> None:
    """Make the folder of a store, accessible to its owner only, or check that it is one.

    Raises:
        UsageError: it is a file, or a folder that holds something else.
    """
    if is_remote(store):
        if not is_store(store) and any(path.name != LOCK for path in files_below(store)):
            raise UsageError(f"--store {store} holds other things than a store of splitdrift; name a new address.")
        return
    if store.exists() and not store.is_dir():
        raise UsageError(f"--store {store} is a file; it takes a folder, which is made if it does not exist.")
    if _is_unlinked(store):
        raise UsageError(f"--store {store} {_UNLINKED}")
    if store.is_dir() and not is_store(store) and any(path.name != LOCK for path in store.iterdir()):
        raise UsageError(f"--store {store} holds other things than a store of splitdrift; name an empty or new folder.")
    if not is_store(store):
        store.mkdir(parents=True, exist_ok=True)
        store.chmod(0o700)
    (store / _FOLDER).mkdir(exist_ok=True)


_UNLINKED = (
    "has folders where a store has links into its valid state: it was copied without them, or made by an earlier "
    "version. Name a new folder; a refresh recomputes everything."
)


def _is_unlinked(store: Path) -> bool:
    return not is_remote(store) and any((store / part).exists() and not (store / part).is_symlink() for part in _OWN)


#: Those of `PARTS` whose names only a store has.
_OWN = ("tables", "splitdrift.duckdb")


def is_store(folder: Path) -> bool:
    """Whether a folder is a store, even one that holds no state yet."""
    return (folder / _FOLDER).is_dir()


def current(store: Path) -> Path | None:
    """The folder of the valid state, which later refreshes do not change; None where nothing is published yet."""
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
        NothingDone: there is none yet, or a newer version made it.
        Damaged: it is not known what it holds.
    """
    folder = store if (store / WHOLE).is_file() else current(store)
    if folder is None and _is_unlinked(store):
        raise NothingDone(f"{store} {_UNLINKED}")
    if folder is None:
        raise NothingDone(f"{store} is not a store yet. `splitdrift refresh --inbox DIR --store {store}` makes one.")
    if not (folder / WHOLE).is_file():
        raise Damaged(folder, {WHOLE: Fault.MISSING})
    contents_of(folder)
    return folder


def generations(store: Path) -> list[Path]:
    """The folders of all complete states, oldest first."""
    return sorted(marker.parent for marker in (store / _FOLDER).glob(f"*/{WHOLE}"))


def unfinished(store: Path) -> list[Path]:
    """The folders of states that were not completed and hold results to go on from, newest first."""
    if is_remote(store):
        return []
    whole = generations(store)
    return sorted(folder.parent for folder in (store / _FOLDER).glob(f"*/{FINISHED}") if folder.parent not in whole)[
        ::-1
    ]


@contextmanager
def building(
    store: Path,
    *,
    keep: int,
    n_sections: int | None = None,
    resumes: bool = False,
    check_still_held: Callable[[], None] = lambda: None,
) -> Iterator[Path]:
    """A folder to build the next state in; published when the block ends well.

    When it does not, the folder is removed, except where it holds results to go on from (`FINISHED`) and was
    interrupted, or the storage failed for another reason than a lack of room. The caller holds the store's lock.

    Args:
        store: prepared.
        keep: how many generations are kept, including this one.
        n_sections: into how many sections the club is divided; None for as many as in the valid state.
        resumes: whether the block takes over what unfinished states hold, so that they are removed in the end.
        check_still_held: of the store's lock; raises if it was lost.

    Raises:
        LockLost: it was, and another process may be building under the same name.
    """
    tag = tag_of_current(store)
    names = [folder.name[:_DIGITS] for folder in (store / _FOLDER).glob("*")]
    sweep(store, keep=keep, spare=unfinished(store))
    # Greater than any incomplete one as well: a worker that outlived its parent may still write there.
    number = 1 + max((int(name) for name in names if name.isdigit()), default=0)
    folder = store / _FOLDER / f"{number:0{_DIGITS}d}"
    if is_remote(store):
        # A process that lost the lock without noticing may be building too, in its own folder.
        folder = store / _FOLDER / f"{folder.name}-{secrets.token_hex(4)}"
    else:
        folder.mkdir()  # an error if it exists: nothing is built on top of leftovers
    try:
        yield folder
        check_still_held()
        before = _contents_before(store)
        if n_sections is None:
            n_sections = 1 if before is None else before.n_sections
        write_contents(folder, before, n_sections=n_sections, without=FINISHED)
        _sync(store)
        check_still_held()
        if not is_remote(store):
            remove_tree(folder / FINISHED)  # no sooner: a large state takes minutes to note and to sync
        mark_whole(folder, n_sections=n_sections)
        _sync(store)
        point_to(store, folder, tag)
    except BaseException as error:
        if not is_remote(store):
            check_still_held()  # or what is in the folder may be another's
        if not _is_valid(store, folder):  # an interrupt may come after the link was moved
            if _is_to_go_on(error) and not is_remote(store) and (folder / FINISHED).is_dir():
                _sync(store)
                (folder / FINISHED / SYNCED).write_bytes(b"")
            else:
                remove_tree(folder)
        raise
    sweep(store, keep=keep, spare=() if resumes else unfinished(store))


def _contents_before(store: Path) -> Contents | None:
    """What the valid state holds; None where that is not known, and nothing was linked from it."""
    valid = current(store)
    try:
        return None if valid is None else contents_of(valid)
    except Damaged:
        return None


def _is_to_go_on(error: BaseException) -> bool:
    """Whether the same refresh may come to its end another time."""
    if isinstance(error, OSError):
        # The room that temporary files lack is not had by removing what was read.
        return error.errno not in (errno.ENOSPC, errno.EDQUOT) or error.filename == gettempdir()
    return isinstance(error, KeyboardInterrupt | SystemExit)


def _sync(store: Path) -> None:
    """Wait until everything is on the disk: a power cut may otherwise keep later writes and lose earlier ones."""
    if not is_remote(store):
        os.sync()


def sweep(store: Path, *, keep: int, spare: Collection[Path] = ()) -> None:
    """Remove what a killed process left incomplete or half removed, and the oldest states beyond `keep`.

    The caller holds the store's lock.

    Args:
        spare: incomplete states that stay.
    """
    whole = generations(store)
    for left in (store / _FOLDER).glob("*"):
        # One that is valid and not whole is damaged, and may be all that there is.
        if left not in whole and left not in spare and not _is_valid(store, left):
            remove_tree(left)
    for old in whole[:-keep]:
        if not _is_valid(store, old):
            _remove(old)


def _is_valid(store: Path, generation: Path) -> bool:
    """Compared by name, since the store's path may be relative and the valid state's is absolute."""
    valid = current(store)
    return valid is not None and valid.name == generation.name


def tag_of_current(store: Path) -> str | None:
    """What identifies the choice of the valid state in an object store; None where there is none, and on a disk."""
    return read_tagged(store / _CURRENT)[1] if is_remote(store) else None


def point_to(store: Path, generation: Path, tag: str | None = None) -> None:
    """Make a complete generation the valid one, in one step.

    Args:
        tag: of the choice that it replaces, in an object store: a lock there may be lost without notice.

    Raises:
        LockLost: another process has chosen since.
    """
    if is_remote(store):
        if put_if(store / _CURRENT, generation.name.encode("ascii"), tag) is None:
            raise LockLost(store)
        return
    for part in PARTS:
        if not (store / part).is_symlink():
            (store / part).symlink_to(Path(_CURRENT) / part)
    for left in store.glob(f".{_CURRENT}-*"):
        left.unlink()  # of a process that was killed
    with replacing(store / _CURRENT) as temporary:
        try:
            temporary.symlink_to(generation.relative_to(store))
        except OSError as error:  # which names what the link points to, not the place that refused it
            raise OSError(error.errno, error.strerror, str(temporary)) from error


def _remove(generation: Path) -> None:
    # Its marker first, so that a half-removed generation counts as incomplete.
    (generation / WHOLE).unlink()
    remove_tree(generation)


def link_tree(before: Path, built: Path, relative: Path, *, wanted: Callable[[Path], bool] | None = None) -> int:
    """Link the files below a folder of one generation into the next.

    Args:
        before: folder of the older generation.
        built: folder of the one being built.
        relative: which folder; nothing happens if it does not exist.
        wanted: which files, by their path in the generation; None for all.

    Returns:
        The number of files.
    """
    if is_remote(before):
        root = before / relative.as_posix() if relative.parts else before
        found = [file.relative_to(before).as_posix() for file in files_below(root)]
    elif (before / relative).is_dir():
        walk = os.walk(before / relative, onerror=_stop)
        folders = ((Path(folder).relative_to(before), names) for folder, _, names in walk)
        found = [(inside / name).as_posix() for inside, names in folders for name in names]
    else:
        found = []
    chosen = (name for name in found if not is_note(name))
    return link_files(before, built, (name for name in chosen if wanted is None or wanted(Path(name))))


def link_files(before: Path, built: Path, names: Iterable[str]) -> int:
    """The same of files that are there, by their path in the generation."""
    names = list(names)
    if is_remote(before):
        copy_objects([before / name for name in names], [built / name for name in names])
        return len(names)
    for folder in {name.rpartition("/")[0] for name in names}:
        os.makedirs(built / folder, exist_ok=True)
    for name in names:
        _link(f"{before}/{name}", f"{built}/{name}")
    return len(names)


def _stop(error: OSError) -> None:
    """A folder that cannot be listed would otherwise be missing in the next state without an error."""
    raise error


def _link(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except FileExistsError:  # of an attempt before, whose worker died
        Path(target).unlink(missing_ok=True)
        _link(source, target)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        shutil.copy2(source, target)  # with its time of writing, by which it is known

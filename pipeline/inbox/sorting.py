"""Sorting: files of many athletes, lying anywhere, into the athletes' folders of an inbox.

First a plan of what goes where, which changes nothing; then each file by itself: written under a hidden name, then
given its own, which no other file can have. However it ends, every file is where it was, where it belongs, or in both
places, and the same command goes on from there: content that an athlete's folder has is not put there twice.
"""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum, auto
from itertools import count
from pathlib import Path, PurePosixPath

from pipeline.core.errors import UsageError
from pipeline.core.places import beneath
from pipeline.core.system_files import is_left_by_system
from pipeline.core.written import MOST_LIST_BYTES, read_text
from pipeline.inbox.athlete_ids import Known
from pipeline.inbox.claims import DeviceRule, ListRule, PatternRule, Unclaimed, list_rule, of_every_kind, pattern_rule
from pipeline.inbox.lists import LISTS, read_lists
from pipeline.inbox.loose_files import LooseFile, LooseFiles, numbered

#: Where files wait that no rule gives to an athlete; hidden, so that no refresh takes it for an athlete.
UNSORTED = ".unsorted"
#: How the names of files begin that are being written.
_UNFINISHED = ".sorting-"
BY_DEVICE = "device"
#: Error codes of file systems without hard links.
_NO_LINKS = frozenset({errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK})

Progress = Callable[[int, int], None]


class Outcome(Enum):
    """What becomes of a file."""

    TO_ATHLETE = auto()
    #: The athlete's folder has the content already.
    ALREADY_THERE = auto()
    UNSORTED = auto()


@dataclass(frozen=True)
class Placement:
    """What becomes of a file.

    Attributes:
        folder: where it goes; None where it stays.
        reason: why nobody's.
        same: what has the same content, so that this one need not go anywhere: a file of the inbox, or an earlier one
            of those to be sorted.
        waited: the file in `UNSORTED` with the same content, which is no longer needed there.
    """

    file: LooseFile
    outcome: Outcome
    athlete_id: str | None = None
    folder: Path | None = None
    reason: Unclaimed | None = None
    same: Path | LooseFile | None = None
    waited: Path | None = None


@dataclass(frozen=True)
class Plan:
    """What becomes of all files, in order of path.

    Attributes:
        new_athletes: those who have no folder yet.
        unmatched: what lists name and is not there.
    """

    placements: tuple[Placement, ...]
    new_athletes: frozenset[str]
    unmatched: tuple[str, ...] = ()


# --- Rules -----------------------------------------------------------------------------------------------------------


@dataclass
class Rules:
    """What says whose a file is, in the order in which it is asked."""

    rules: list[ListRule | PatternRule | DeviceRule] = field(default_factory=list)

    @property
    def device(self) -> DeviceRule | None:
        """The one that has to learn."""
        return next((rule for rule in self.rules if isinstance(rule, DeviceRule)), None)


def read_rules(by: Sequence[str], loose: LooseFiles, inbox: Path) -> Rules:
    """Read what the user gave after `--by`; without that, `sessions.csv` of the inbox decides.

    Raises:
        UsageError: a word is no file, no pattern and not `device`; or there is nothing to go by.
    """
    known = known_athletes(inbox)
    if not by:
        sessions = inbox / "sessions.csv"
        if not sessions.is_file():
            raise UsageError(
                "Nothing says whose the files are. Give --by list.csv (columns file, athlete_id), --by "
                "'{athlete_id}_{date}' (a pattern of the names), or --by device (the watch that wrote them)."
            )
        by = [str(sessions)]
    rules = Rules()
    for word in by:
        if word == BY_DEVICE:
            rules.rules.append(DeviceRule())
        elif Path(word).is_file():
            rules.rules.append(list_rule(Path(word).name, read_text(Path(word), MOST_LIST_BYTES), loose.files, known))
        else:
            rules.rules.append(pattern_rule(word, known))
    return rules


def without_endings(by: Sequence[str], planned: Plan, known: Known) -> Iterator[tuple[str, int]]:
    """Patterns without the ending that kept files out, and how many of these they would give to an athlete."""
    left = [placement.file for placement in planned.placements if placement.reason is Unclaimed.NO_MATCH]
    for word in by:
        wider = None if Path(word).is_file() else of_every_kind(word)
        if wider is not None:
            rule = pattern_rule(wider, known)
            if n_files := sum(isinstance(rule.athlete_of(file), str) for file in left):
                yield wider, n_files


def known_athletes(inbox: Path) -> Known:
    """The athletes who have a folder in the inbox, or a line in its roster."""
    folders: set[str] = set()
    if inbox.is_dir():
        folders = {path.name for path in inbox.iterdir() if path.is_dir() and not path.name.startswith(".")}
        folders |= set(read_lists(inbox).rows["roster.csv"]["athlete_id"].drop_nulls())
    return Known(frozenset(name for name in folders if not is_left_by_system([name])))


# --- The plan --------------------------------------------------------------------------------------------------------


class Contents:
    """Which content is where in an inbox; files are read only where another has the same size."""

    def __init__(self, inbox: Path) -> None:
        self._inbox = inbox
        self._by_size: dict[int, list[Path]] = defaultdict(list)
        self._digests: dict[Path, str] = {}
        for folder in (inbox, inbox / UNSORTED):
            for path in beneath(folder) if folder.is_dir() else ():
                if path.is_file() and not path.is_symlink() and not path.name.startswith("."):
                    self._by_size[path.stat().st_size].append(path)
        self._planned: dict[tuple[str | None, int], list[LooseFile]] = defaultdict(list)

    def files_of_athletes(self) -> Iterator[tuple[str, Path]]:
        """Each file in an athlete's folder, with the athlete."""
        for paths in self._by_size.values():
            for path in paths:
                if (athlete_id := self._owner(path)) is not None:
                    yield athlete_id, path

    def _owner(self, path: Path) -> str | None:
        parts = path.relative_to(self._inbox).parts
        return parts[0] if len(parts) > 1 and parts[0] != UNSORTED else None

    def same_as(self, loose: LooseFiles, file: LooseFile) -> tuple[dict[str, Path], Path | None]:
        """Where the content of a file is already: by athlete, and among the unsorted."""
        own = loose.file(file)
        alike = [path for path in self._by_size.get(file.n_bytes, ()) if own is None or not _is_same_file(path, own)]
        if not alike:
            return {}, None
        digest = hashlib.sha256(loose.read(file)).hexdigest()
        same = [path for path in alike if self._digest(path) == digest]
        owners = {owner: path for path in same if (owner := self._owner(path)) is not None}
        unsorted = (path for path in same if path.relative_to(self._inbox).parts[0] == UNSORTED)
        return owners, next(unsorted, None)

    def _digest(self, path: Path) -> str:
        if path not in self._digests:
            self._digests[path] = hashlib.sha256(path.read_bytes()).hexdigest()
        return self._digests[path]

    def planned(self, loose: LooseFiles, file: LooseFile, athlete_id: str | None) -> LooseFile | None:
        """An earlier file with the same content that goes to the athlete; where there is none, this is the first."""
        planned = self._planned[athlete_id, file.n_bytes]
        content = loose.read(file) if planned else b""
        for other in planned:
            if loose.read(other) == content:
                return other
        planned.append(file)
        return None


def _is_same_file(one: Path, other: Path) -> bool:
    """Whether two paths are the same entry of a folder; two names of one content are two entries."""
    return one.name == other.name and one.parent.resolve() == other.parent.resolve()


def plan(loose: LooseFiles, rules: Rules, inbox: Path, *, progress: Progress | None = None) -> Plan:
    """Say what becomes of each file; nothing is changed.

    Rules that need no content are asked first, so that the device rule learns from what they decide too.
    """
    contents = Contents(inbox)
    claims = {file: _claim(rules, file) for file in loose.files}
    if rules.device is not None:
        _learn(rules.device, loose, contents, claims)
        for file, claim in claims.items():
            if isinstance(claim, Unclaimed):
                claims[file] = _by_device(rules.device, loose, file)
    placements = []
    for done, (file, claim) in enumerate(claims.items(), start=1):
        try:
            placements.append(_placement(loose, file, claim, inbox, contents))
        except OSError:  # of a member that is damaged, or a file without permission: it stays
            placements.append(Placement(file, Outcome.UNSORTED, reason=Unclaimed.UNREADABLE))
        if progress is not None:
            progress(done, len(claims))
    named = {one.athlete_id for one in placements if one.athlete_id is not None and one.outcome is Outcome.TO_ATHLETE}
    new = frozenset(name for name in named if not (inbox / name).is_dir())
    unmatched = [name for rule in rules.rules if isinstance(rule, ListRule) for name in rule.unmatched(loose.files)]
    return Plan(tuple(placements), new, tuple(unmatched))


def _claim(rules: Rules, file: LooseFile) -> str | Unclaimed:
    reason = Unclaimed.NO_MATCH
    for rule in rules.rules:
        if isinstance(rule, DeviceRule):
            continue
        answer = rule.athlete_of(file)
        if isinstance(answer, str):
            return answer
        reason = answer
    return reason


def _learn(
    device: DeviceRule, loose: LooseFiles, contents: Contents, claims: Mapping[LooseFile, str | Unclaimed]
) -> None:
    for athlete_id, path in contents.files_of_athletes():
        try:
            device.learn(path.name, path.read_bytes(), athlete_id)
        except OSError:
            continue
    for file, claim in claims.items():
        if isinstance(claim, str):
            try:
                device.learn(file.name, loose.read(file), claim)
            except OSError:
                continue


def _by_device(device: DeviceRule, loose: LooseFiles, file: LooseFile) -> str | Unclaimed:
    try:
        return device.athlete_of(file.name, loose.read(file))
    except OSError:
        return Unclaimed.UNREADABLE


def _placement(
    loose: LooseFiles, file: LooseFile, claim: str | Unclaimed, inbox: Path, contents: Contents
) -> Placement:
    owners, waits = contents.same_as(loose, file)
    own = loose.file(file)
    if isinstance(claim, str):
        same = owners.get(claim) or contents.planned(loose, file, claim)
        if same is not None:
            return Placement(file, Outcome.ALREADY_THERE, claim, same=same, waited=waits)
        return Placement(file, Outcome.TO_ATHLETE, claim, inbox / claim, waited=waits)
    if owners:
        owner = min(owners)
        return Placement(file, Outcome.ALREADY_THERE, owner, same=owners[owner], waited=waits)
    waiting = inbox / UNSORTED
    if own is not None and own.resolve().is_relative_to(waiting.resolve()):
        return Placement(file, Outcome.UNSORTED, reason=claim)
    same = waits or contents.planned(loose, file, None)
    if same is not None:
        return Placement(file, Outcome.UNSORTED, reason=claim, same=same)
    return Placement(file, Outcome.UNSORTED, folder=waiting / PurePosixPath(file.path).parent, reason=claim)


# --- Into place ------------------------------------------------------------------------------------------------------


def sweep(inbox: Path) -> None:
    """Remove what a killed process had begun to write."""
    for folder in (inbox, inbox / UNSORTED):
        for path in beneath(folder) if folder.is_dir() else ():
            if path.name.startswith(_UNFINISHED):
                path.unlink(missing_ok=True)


def put_into_place(
    loose: LooseFiles, placements: Iterable[Placement], *, move: bool, progress: Progress | None = None
) -> list[Placement]:
    """Carry out a plan.

    Args:
        move: whether a file leaves the place where it was, once it is where it belongs.

    Returns:
        The files that could not be read or written, which stay.
    """
    failed: list[Placement] = []
    todo, placed = list(placements), set[LooseFile]()
    for done, placement in enumerate(todo, start=1):
        try:
            _put(loose, placement, placed, move=move)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS):
                raise  # the next would fare no better
            failed.append(placement)
        if progress is not None:
            progress(done, len(todo))
    return failed


def _put(loose: LooseFiles, placement: Placement, placed: set[LooseFile], *, move: bool) -> None:
    source, same = loose.file(placement.file), placement.same
    if placement.folder is not None:
        placement.folder.mkdir(parents=True, exist_ok=True)
        if not (move and source is not None and _linked(source, placement.folder, placement.file.name)):
            _write(placement.folder, placement.file.name, loose.read(placement.file), is_only_copy=move)
        placed.add(placement.file)
    elif not (same in placed if isinstance(same, LooseFile) else same is not None and same.is_file()):
        return  # it stays, since nothing else has its content for certain
    if placement.waited is not None and placement.outcome is not Outcome.UNSORTED:
        placement.waited.unlink(missing_ok=True)
    if move and source is not None:
        source.unlink(missing_ok=True)


def _linked(source: Path, folder: Path, name: str) -> bool:
    """Give a file its place as a second name of it, on the same file system: nothing is copied."""
    try:
        _with_free_name(folder, name, lambda target: os.link(source, target))
    except OSError as error:
        if error.errno in {*_NO_LINKS, errno.EXDEV}:
            return False
        raise
    return True


def _write(folder: Path, name: str, content: bytes, *, is_only_copy: bool) -> None:
    temporary = folder / f"{_UNFINISHED}{secrets.token_hex(6)}"
    try:
        with temporary.open("wb") as stream:
            stream.write(content)
            if is_only_copy:
                stream.flush()
                os.fsync(stream.fileno())
        try:
            _with_free_name(folder, name, lambda target: os.link(temporary, target))
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            _with_free_name(folder, name, lambda target: _renamed(temporary, target))
    finally:
        temporary.unlink(missing_ok=True)


def _renamed(temporary: Path, target: Path) -> None:
    """Where there are no links: the lock of the inbox keeps other sorts out between the two steps."""
    if target.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    temporary.rename(target)


def _with_free_name(folder: Path, name: str, give: Callable[[Path], None]) -> None:
    """Try the name, then the same with a number, until one is free."""
    wanted = name if name not in LISTS else f"run-{name}"
    for number in count(1):
        target = folder / numbered(wanted, number)
        try:
            give(target)
        except FileExistsError:
            continue
        return

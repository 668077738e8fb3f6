"""What a state of a store holds: each of its files with length, time of writing and digest.

    generations/000007/contents.json    the files by path
    generations/000007/whole            the schema of the store, the version that wrote it, the digest of contents.json

Of a club in several sections the files in the folders of athletes are in lists of their own, so that no process holds
all of them. `contents.json` has the digest of each list:

    generations/000007/contents/00003-of-00128.json

What is read to compute from is compared with its digest as it is read. Of a file that is only linked into the next
state, length and time are compared, and the content where these differ: what is done to a file by a program changes its
time, what a disk loses does not, so `splitdrift verify` compares every content.

An object store checks its own contents; there the tag of each object is noted, which changes with its content.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from io import BytesIO
from itertools import islice, takewhile
from pathlib import Path
from typing import Any

from pipeline.core.code import own_version
from pipeline.core.errors import Damaged, Fault, NothingDone
from pipeline.core.places import is_remote, make_folder, versions_below
from pipeline.core.spooled import Spooled

#: The layout of a state, counted up when an older version could not read the next one. 0 is a state without contents,
#: 1 one with all files in one list, which states of one section still are.
SCHEMA = 2
_IN_ONE_LIST = 1
#: Marks a generation as complete, written last.
WHOLE = "whole"
CONTENTS = "contents.json"
#: Folder of the other lists of a state.
LISTS = "contents"
#: A section has so many lists. Who looks up athletes in any order reads the list of one per athlete.
LISTS_OF_A_SECTION = 16
#: Folders that hold a folder for each athlete.
BY_ATHLETE = frozenset({"tables/samples", "tables/splits", "tables/lap_splits", "pages/athletes"})
#: Folders in which each file counts, so that none may be there that was not written.
_COUNTED = ("tables", "known")
#: How many files a thread is started for, to digest them.
_LEAST_OF_A_THREAD = 32


@dataclass(frozen=True, slots=True)
class Written:
    """A file as it was written: length [bytes], time [ns since 1970] and SHA-256; of an object, its tag alone."""

    n_bytes: int
    written_ns: int
    digest: str


class Listed(dict[str, Written]):
    """Files by their path in the state."""

    @cached_property
    def in_order(self) -> list[str]:
        """Their paths."""
        return sorted(self)


@dataclass(frozen=True)
class Contents:
    """The files of a state.

    Attributes:
        files: those that are in no other list; of a state of one section, all.
        lists: of each other list, how many files it has, and its digest.
    """

    state: Path
    schema: int
    version: str
    files: Listed
    lists: tuple[tuple[int, str], ...] = ()

    @property
    def n_sections(self) -> int:
        """Into how many sections its club is divided."""
        return max(1, len(self.lists) // LISTS_OF_A_SECTION)

    @property
    def n_files(self) -> int:
        """How many files the state has."""
        return len(self.files) + sum(n_files for n_files, _ in self.lists)

    def faults(self, thorough: Callable[[str], bool]) -> dict[str, Fault]:
        """The files that are not as they were written; of those in a list that is damaged itself, nothing is known.

        Args:
            thorough: whether the content of a file is compared even if its length and time are as they were.
        """
        faults = dict[str, Fault]()
        for number, found in enumerate(_found(self.state, len(self.lists))):
            try:
                faults |= self._faults_among(self._listed(number), found, thorough)
            except Damaged as damage:
                faults |= damage.faults
        return faults

    def _faults_among(
        self, listed: Listed, found: Mapping[str, Written], thorough: Callable[[str], bool]
    ) -> dict[str, Fault]:
        faults, to_read = dict[str, Fault](), []
        for name, written in listed.items():
            if name not in found:
                faults[name] = Fault.MISSING
            elif is_remote(self.state):
                if found[name] != written:
                    faults[name] = Fault.CONTENT
            elif found[name].n_bytes != written.n_bytes:
                faults[name] = Fault.LENGTH
            elif found[name].written_ns != written.written_ns or thorough(name):
                to_read.append(name)
        foreign = [name for name in found.keys() - listed.keys() if _counts(name)]
        return faults | self.faults_of_content(to_read) | dict.fromkeys(sorted(foreign), Fault.FOREIGN)

    def faults_of_content(self, names: Iterable[str]) -> dict[str, Fault]:
        """The same of some files that it has, by their content alone.

        Raises:
            Damaged: a list that they are in is.
        """
        if is_remote(self.state):
            return {}
        faults, noted = {}, self.noted(names)
        for name, digest in digests(self.state, noted).items():
            if digest != noted[name].digest:
                faults[name] = Fault.CONTENT if digest else Fault.UNREADABLE
        return faults

    def noted(self, names: Iterable[str]) -> dict[str, Written]:
        """What is noted of those among some files that the state has, list by list.

        Raises:
            Damaged: a list that one would be in is.
        """
        in_lists = defaultdict[int, list[str]](list)
        for name in names:
            in_lists[_list_of(name, len(self.lists))].append(name)
        noted = dict[str, Written]()
        for number, own in in_lists.items():
            listed = self._listed(number)
            noted.update((name, listed[name]) for name in own if name in listed)
        return noted

    def below(self, folder: str) -> list[str]:
        """The files in a folder and the folders below it, in order."""
        number, n_lists = _list_of(folder, len(self.lists)), len(self.lists)
        if number:
            return _below(self._listed(number), folder)
        found = _below(self.files, folder)
        if any(f"{divided}/".startswith(f"{folder}/") for divided in BY_ATHLETE):
            found += [name for one in range(1, n_lists + 1) for name in _below(self._listed(one), folder)]
            found.sort()
        return found

    def list_of(self, name: str) -> str:
        """The list that a file is in, or would be, by its path in the state."""
        number = _list_of(name, len(self.lists))
        return _list_name(number, len(self.lists)) if number else CONTENTS

    def _listed(self, number: int) -> Listed:
        """The files of a list; 0 is `contents.json`."""
        if not number:
            return self.files
        name = _list_name(number, len(self.lists))
        return _list(self.state, name, self.lists[number - 1][1], version_of(self.state / name))

    def read(self, name: str) -> bytes:
        """The content of a file.

        Raises:
            Damaged: it is not what was written.
        """
        try:
            content = (self.state / name).read_bytes()
        except FileNotFoundError:
            raise Damaged(self.state, {name: Fault.MISSING}) from None
        written = self.noted([name]).get(name)
        if written is None:
            raise Damaged(self.state, {name: Fault.FOREIGN})
        if not is_remote(self.state) and hashlib.sha256(content).hexdigest() != written.digest:
            raise Damaged(self.state, {name: Fault.CONTENT})
        return content


# --- Of a state ------------------------------------------------------------------------------------------------------


def contents_of(state: Path) -> Contents | None:
    """What a state holds; None where it is being built, or was made by a version that did not note it.

    Raises:
        Damaged: what is noted of it cannot be relied on.
        NothingDone: a newer version made it.
    """
    try:
        return _noted(state, (state / WHOLE).read_bytes(), version_of(state / CONTENTS))
    except FileNotFoundError:
        return None


def version_of(file: Path) -> tuple[int, int] | None:
    """What differs after a file of this machine was written again; None where it does not exist."""
    if is_remote(file):
        return (0, 0)
    try:
        about = file.stat()
    except FileNotFoundError:
        return None
    return about.st_size, about.st_mtime_ns


@lru_cache(maxsize=4)
def _noted(state: Path, whole: bytes, version_of_contents: tuple[int, int] | None) -> Contents | None:
    about, _, check = whole.partition(b"\n")
    if not whole and (version_of_contents is None or (is_remote(state) and not (state / CONTENTS).is_file())):
        return None
    if check.strip().decode("ascii", "replace") != hashlib.sha256(about).hexdigest():
        raise Damaged(state, {WHOLE: Fault.CONTENT})
    noted = json.loads(about)
    if noted["schema"] > SCHEMA:
        raise NothingDone(
            f"{state.parents[1]} was written by splitdrift {noted['version']} in schema {noted['schema']}; this is "
            f"splitdrift {own_version()}, which knows schemas up to {SCHEMA}. Install splitdrift "
            f"{noted['version']} or later."
        )
    files = _read_json(state, CONTENTS, noted["contents_sha256"])
    lists = () if noted["schema"] == _IN_ONE_LIST else tuple((n, digest) for n, digest in files["lists"])
    return Contents(state, noted["schema"], noted["version"], _as_listed(files["files"] if lists else files), lists)


@lru_cache(maxsize=LISTS_OF_A_SECTION)
def _list(state: Path, name: str, digest: str, _version: tuple[int, int] | None) -> Listed:
    return _as_listed(_read_json(state, name, digest))


def _read_json(state: Path, name: str, digest: str) -> Any:
    try:
        text = (state / name).read_bytes()
    except FileNotFoundError:
        raise Damaged(state, {name: Fault.MISSING}) from None
    if hashlib.sha256(text).hexdigest() != digest:
        raise Damaged(state, {name: Fault.CONTENT})
    return json.loads(text)


def _as_listed(files: Mapping[str, tuple[int, int, str]]) -> Listed:
    return Listed((name, Written(*written)) for name, written in files.items())


def _below(listed: Listed, folder: str) -> list[str]:
    begins = bisect_left(listed.in_order, f"{folder}/")
    return list(takewhile(lambda name: name.startswith(f"{folder}/"), islice(listed.in_order, begins, None)))


def read_checked(state: Path, name: str) -> bytes:
    """The content of a file of a state, compared with its digest where that is noted.

    Raises:
        Damaged: it is not what was written.
    """
    contents = contents_of(state)
    return (state / name).read_bytes() if contents is None else contents.read(name)


def write_contents(built: Path, before: Contents | None, *, n_sections: int = 1, without: str = "") -> None:
    """Note what a state holds that was just built.

    Args:
        before: of the state that it shares files with.
        n_sections: into how many sections its club is divided.
        without: a folder in it that is no part of the state; none where it is empty.

    Raises:
        Damaged: a file that it shares was changed after it had been written.
    """
    n_lists = _n_lists(n_sections)
    texts = (
        (len(files), _as_text(_with_digests(built, before, files))) for files in _found(built, n_lists, without=without)
    )
    _, text = next(texts)
    if n_lists:
        make_folder(built / LISTS)
        lists = []
        for number, (n_files, of_list) in enumerate(texts, start=1):
            (built / _list_name(number, n_lists)).write_bytes(of_list)
            lists.append((n_files, hashlib.sha256(of_list).hexdigest()))
        text = b'{"lists":' + json.dumps(lists).encode("ascii") + b',"files":' + text + b"}"
    (built / CONTENTS).write_bytes(text)


def _with_digests(built: Path, before: Contents | None, found: dict[str, Written]) -> dict[str, Written]:
    """Files of a list with their digests; those shared with the state before have the ones noted there."""
    if is_remote(built):
        return found
    new, known = list[str](), _known(before, found)
    for name, written in found.items():
        noted = known.get(name)
        if noted is not None and (written.n_bytes, written.written_ns) == (noted.n_bytes, noted.written_ns):
            found[name] = noted
        else:
            new.append(name)
    for name, digest in digests(built, new).items():
        if before is not None and name in known and digest != known[name].digest:
            _require_not_shared(before.state, built, name)
        found[name] = replace(found[name], digest=digest)
    return found


def _known(before: Contents | None, names: Iterable[str]) -> Mapping[str, Written]:
    """What the state before noted of files; nothing where that is damaged, and none of them was linked from it."""
    try:
        return {} if before is None else before.noted(names)
    except Damaged:
        return {}


def _as_text(files: Mapping[str, Written]) -> bytes:
    # File by file: as one object of lists, or joined from texts, those of millions of files take twice the memory.
    text = BytesIO()
    for name in sorted(files):
        at = files[name]
        line = f"{json.dumps(name)}:[{at.n_bytes},{at.written_ns},{json.dumps(at.digest)}]"
        text.write(f"{',' if text.tell() else '{'}{line}".encode())
    text.write(b"}" if files else b"{}")
    return text.getvalue()


def mark_whole(built: Path, *, n_sections: int = 1) -> None:
    """Mark a state whose contents are noted as complete."""
    digest = hashlib.sha256((built / CONTENTS).read_bytes()).hexdigest()
    schema = SCHEMA if _n_lists(n_sections) else _IN_ONE_LIST
    about = json.dumps({"schema": schema, "version": own_version(), "contents_sha256": digest})
    (built / WHOLE).write_text(f"{about}\n{hashlib.sha256(about.encode()).hexdigest()}\n", encoding="ascii")


def _require_not_shared(before: Path, built: Path, name: str) -> None:
    if (before / name).exists() and (before / name).samefile(built / name):
        raise Damaged(before, {name: Fault.CONTENT})


# --- What is there ---------------------------------------------------------------------------------------------------


def _found(state: Path, n_lists: int, *, without: str = "") -> Iterator[dict[str, Written]]:
    """The files that are there by their list, `contents.json` first; without digests, of an object store with tags."""
    files = ((name, about) for name, about in _files(state) if not is_note(name))
    if without:
        files = ((name, about) for name, about in files if not name.startswith(f"{without}/"))
    found = Spooled(((_list_of(name, n_lists), (name, about)) for name, about in files), n_lists + 1)
    return ({name: Written(*about) for name, about in found.of(number)} for number in range(n_lists + 1))


def _files(state: Path) -> Iterator[tuple[str, tuple[int, int, str]]]:
    """The files of a state, with the fields of `Written`."""
    if is_remote(state):
        yield from ((name, (0, 0, tag)) for name, tag in versions_below(state))
        return
    folders = [""]
    while folders:
        folder = folders.pop()
        with os.scandir(state / folder) as entries:
            for entry in entries:
                name = folder + entry.name
                if entry.is_dir(follow_symlinks=False):
                    folders.append(f"{name}/")
                else:
                    about = entry.stat(follow_symlinks=False)
                    yield name, (about.st_size, about.st_mtime_ns, "")


def is_note(name: str) -> bool:
    """Whether a file of a state says what it holds, by its path in the state; no other state shares it."""
    return name in (WHOLE, CONTENTS) or name.startswith(f"{LISTS}/")


def _n_lists(n_sections: int) -> int:
    """How many lists a state has besides `contents.json`."""
    return n_sections * LISTS_OF_A_SECTION if n_sections > 1 else 0


def _list_name(number: int, n_lists: int) -> str:
    return f"{LISTS}/{number - 1:05d}-of-{n_lists:05d}.json"


def _list_of(name: str, n_lists: int) -> int:
    """The number of the list that a file or folder is in; 0 is `contents.json`."""
    parts = name.split("/", 3) if n_lists else ()
    if len(parts) < 3 or "/".join(parts[:2]) not in BY_ATHLETE:
        return 0
    athlete_id = parts[2].removeprefix("athlete_id=").replace("%3D", "=").replace("%25", "%")
    # As `sections.section_of`, so that a section has lists of its own; names that somebody put there may be no UTF-8.
    return 1 + zlib.crc32(athlete_id.encode("utf-8", "surrogateescape")) % n_lists


def digests(state: Path, names: Iterable[str]) -> dict[str, str]:
    """The digest of each file of a folder; empty for one that cannot be read."""

    def digest(name: str) -> str:
        try:
            with (state / name).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            return ""

    names = sorted(names)
    # A thread takes many files: most are small, and handing one over, or starting one for a few, takes longer than
    # reading them.
    n_threads = min(4, os.cpu_count() or 1, len(names) // _LEAST_OF_A_THREAD)
    if n_threads <= 1:
        return {name: digest(name) for name in names}
    shares = [names[start::n_threads] for start in range(n_threads)]
    found = [""] * len(names)
    with ThreadPoolExecutor(n_threads) as threads:
        for start, of_share in enumerate(threads.map(lambda share: list(map(digest, share)), shares)):
            found[start::n_threads] = of_share
    return dict(zip(names, found, strict=True))


def _counts(name: str) -> bool:
    """Whether a file is of those that are read from, whatever put it there; systems leave hidden ones of their own."""
    folder, *parts = name.split("/")
    return folder in _COUNTED and not any(part.startswith(".") for part in parts)

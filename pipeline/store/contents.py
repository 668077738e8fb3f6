"""What a state of a store holds: each of its files with length, time of writing and digest.

    generations/000007/contents.json    the files by path
    generations/000007/whole            the schema of the store, the version that wrote it, the digest of contents.json

What is read to compute from is compared with its digest as it is read. Of a file that is only linked into the next
state, length and time are compared, and the content where these differ: what is done to a file by a program changes its
time, what a disk loses does not, so `splitdrift verify` compares every content.

An object store checks its own contents; there the tag of each object is noted, which changes with its content.
"""

from __future__ import annotations

import hashlib
import json
import os
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from io import BytesIO
from itertools import islice, takewhile
from pathlib import Path

from pipeline.core.code import own_version
from pipeline.core.errors import Damaged, Fault, NothingDone
from pipeline.core.places import is_remote, versions_below

#: The layout of a state, counted up when an older version could not read the next one. 0 is a state without contents.
SCHEMA = 1
#: Marks a generation as complete, written last.
WHOLE = "whole"
CONTENTS = "contents.json"
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


@dataclass(frozen=True)
class Contents:
    """The files of a state.

    Attributes:
        files: by their path in the state.
    """

    state: Path
    schema: int
    version: str
    files: Mapping[str, Written]

    def faults(self, thorough: Callable[[str], bool]) -> dict[str, Fault]:
        """The files that are not as they were written.

        Args:
            thorough: whether the content of a file is compared even if its length and time are as they were.
        """
        found = _found(self.state)
        faults, to_read = dict[str, Fault](), []
        for name, written in self.files.items():
            if name not in found:
                faults[name] = Fault.MISSING
            elif is_remote(self.state):
                if found[name] != written:
                    faults[name] = Fault.CONTENT
            elif found[name].n_bytes != written.n_bytes:
                faults[name] = Fault.LENGTH
            elif found[name].written_ns != written.written_ns or thorough(name):
                to_read.append(name)
        foreign = [name for name in found.keys() - self.files.keys() if _counts(name)]
        return faults | self.faults_of_content(to_read) | dict.fromkeys(sorted(foreign), Fault.FOREIGN)

    def faults_of_content(self, names: Iterable[str]) -> dict[str, Fault]:
        """The same of some files, by their content alone."""
        if is_remote(self.state):
            return {}
        faults = {}
        for name, digest in digests(self.state, names).items():
            if digest != self.files[name].digest:
                faults[name] = Fault.CONTENT if digest else Fault.UNREADABLE
        return faults

    def below(self, folder: str) -> list[str]:
        """The files in a folder and the folders below it, in order."""
        begins = bisect_left(self._names, f"{folder}/")
        return list(takewhile(lambda name: name.startswith(f"{folder}/"), islice(self._names, begins, None)))

    @cached_property
    def _names(self) -> list[str]:
        return sorted(self.files)

    def read(self, name: str) -> bytes:
        """The content of a file.

        Raises:
            Damaged: it is not what was written.
        """
        try:
            content = (self.state / name).read_bytes()
        except FileNotFoundError:
            raise Damaged(self.state, {name: Fault.MISSING}) from None
        if name not in self.files:
            raise Damaged(self.state, {name: Fault.FOREIGN})
        if not is_remote(self.state) and hashlib.sha256(content).hexdigest() != self.files[name].digest:
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
    try:
        text = (state / CONTENTS).read_bytes()
    except FileNotFoundError:
        raise Damaged(state, {CONTENTS: Fault.MISSING}) from None
    if hashlib.sha256(text).hexdigest() != noted["contents_sha256"]:
        raise Damaged(state, {CONTENTS: Fault.CONTENT})
    files = json.loads(text)
    for name, written in files.items():
        files[name] = Written(*written)
    return Contents(state, noted["schema"], noted["version"], files)


def read_checked(state: Path, name: str) -> bytes:
    """The content of a file of a state, compared with its digest where that is noted.

    Raises:
        Damaged: it is not what was written.
    """
    contents = contents_of(state)
    return (state / name).read_bytes() if contents is None else contents.read(name)


def write_contents(built: Path, before: Contents | None, *, without: str = "") -> None:
    """Note what a state holds that was just built.

    Args:
        before: of the state that it shares files with.
        without: a folder in it that is no part of the state; none where it is empty.

    Raises:
        Damaged: a file that it shares was changed after it had been written.
    """
    found, new = _found(built), list[str]()
    if without:
        found = {name: written for name, written in found.items() if not name.startswith(f"{without}/")}
    if not is_remote(built):
        known = {} if before is None else before.files
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
    # File by file: as one object of lists, or joined from texts, those of millions of files take twice the memory.
    text = BytesIO()
    for name in sorted(found):
        at = found[name]
        line = f"{json.dumps(name)}:[{at.n_bytes},{at.written_ns},{json.dumps(at.digest)}]"
        text.write(f"{',' if text.tell() else '{'}{line}".encode())
    text.write(b"}" if found else b"{}")
    (built / CONTENTS).write_bytes(text.getvalue())


def mark_whole(built: Path) -> None:
    """Mark a state whose contents are noted as complete."""
    digest = hashlib.sha256((built / CONTENTS).read_bytes()).hexdigest()
    about = json.dumps({"schema": SCHEMA, "version": own_version(), "contents_sha256": digest})
    (built / WHOLE).write_text(f"{about}\n{hashlib.sha256(about.encode()).hexdigest()}\n", encoding="ascii")


def _require_not_shared(before: Path, built: Path, name: str) -> None:
    if (before / name).exists() and (before / name).samefile(built / name):
        raise Damaged(before, {name: Fault.CONTENT})


# --- What is there ---------------------------------------------------------------------------------------------------


def _found(state: Path) -> dict[str, Written]:
    """The files of a state, without their digests; of an object store, with tags."""
    if is_remote(state):
        found = {name: Written(0, 0, tag) for name, tag in versions_below(state)}
    else:
        found, folders = {}, [""]
        while folders:
            folder = folders.pop()
            with os.scandir(state / folder) as entries:
                for entry in entries:
                    name = folder + entry.name
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(f"{name}/")
                    else:
                        about = entry.stat(follow_symlinks=False)
                        found[name] = Written(about.st_size, about.st_mtime_ns, "")
    for name in (WHOLE, CONTENTS):
        found.pop(name, None)
    return found


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

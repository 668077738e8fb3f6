"""Files that are to be sorted into an inbox: of a folder and the folders below it, or of a ZIP archive."""

from __future__ import annotations

import os
import zipfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from pipeline.core.errors import NothingDone, UsageError
from pipeline.core.places import beneath
from pipeline.core.system_files import is_left_by_system
from pipeline.formats.archive import DAMAGED
from pipeline.formats.readers import READERS
from pipeline.inbox.lists import LISTS

#: Most that one member of an archive may unpack to [bytes].
MOST_BYTES = 512_000_000
_IS_ENCRYPTED = 0x1  # bit of a ZIP member's flags


@dataclass(frozen=True)
class LooseFile:
    """A file to be sorted.

    Attributes:
        path: in its folder or archive, with `/` between folders.
        n_bytes: of its content, as the archive or the file system says.
    """

    path: str
    n_bytes: int

    @property
    def name(self) -> str:
        """Its own name, without folders."""
        return PurePosixPath(self.path).name


@dataclass
class LooseFiles:
    """What there is to sort.

    Attributes:
        place: the folder or the archive.
        files: in order of path.
        skipped: how many files of which kind are no recordings, by their ending or by what is wrong with them.
        archive: where `place` is one.
        members: its entries by the paths of the files.
    """

    place: Path
    files: tuple[LooseFile, ...] = ()
    skipped: Counter[str] = field(default_factory=Counter)
    archive: zipfile.ZipFile | None = None
    members: dict[str, zipfile.ZipInfo] = field(default_factory=dict)

    def read(self, file: LooseFile) -> bytes:
        """The content of a file.

        Raises:
            OSError: it cannot be read; of a member of an archive also what is damaged or too large.
        """
        if self.archive is None:
            return (self.place / file.path).read_bytes()
        try:
            with self.archive.open(self.members[file.path]) as stream:
                content = stream.read(MOST_BYTES + 1)
        except DAMAGED as error:
            raise OSError(f"{file.path} cannot be unpacked") from error
        if len(content) > MOST_BYTES:
            raise OSError(f"{file.path} unpacks to more than {MOST_BYTES:,} bytes")
        return content

    def file(self, file: LooseFile) -> Path | None:
        """Where a file is on this machine; None for a member of an archive."""
        return self.place / file.path if self.archive is None else None


@contextmanager
def loose_files(place: Path, inbox: Path, *, without: Path | None = None) -> Iterator[LooseFiles]:
    """The recordings in a folder or an archive.

    Of the inbox itself only those that are in no athlete's folder; of a folder that holds the inbox none of the inbox.

    Args:
        without: a file that is not to be sorted, such as the list to sort by.

    Raises:
        UsageError: neither a folder nor a ZIP archive.
        NothingDone: it holds no recordings.
    """
    if place.is_dir():
        found = _of_folder(place, inbox, without)
        _require_some(found)
        yield found
        return
    if not place.is_file():
        raise UsageError(f"--from {place} is neither a folder nor a file.")
    try:
        with zipfile.ZipFile(place) as archive:
            found = _of_archive(place, archive)
            _require_some(found)
            yield found
    except zipfile.BadZipFile:
        raise UsageError(f"--from {place} is no ZIP archive that can be read. It takes a folder, or a .zip.") from None


def _require_some(found: LooseFiles) -> None:
    if not found.files:
        others = ", ".join(f"{n} {kind}" for kind, n in found.skipped.most_common(5)) or "nothing"
        raise NothingDone(f"{found.place} holds no recordings to sort (there: {others}).")


def _of_folder(place: Path, inbox: Path, without: Path | None) -> LooseFiles:
    found = LooseFiles(place)
    root, inside = place.resolve(), inbox.resolve()
    excluded = without.resolve() if without is not None else None
    files = []
    for path in sorted(beneath(place)):
        relative = path.relative_to(place)
        if root == inside and len(relative.parts) > 1:
            continue
        if inside.is_relative_to(root) and root != inside and path.absolute().is_relative_to(inside):
            continue
        if path.is_symlink():
            found.skipped["links"] += 1
        elif path.is_file() and path.resolve() != excluded and _is_to_sort(relative.parts, found.skipped):
            files.append(LooseFile(relative.as_posix(), path.stat().st_size))
    found.files = tuple(files)
    return found


def _of_archive(place: Path, archive: zipfile.ZipFile) -> LooseFiles:
    found = LooseFiles(place, archive=archive)
    files = []
    for entry in archive.infolist():
        path = entry.filename.replace("\\", "/")
        parts = PurePosixPath(path).parts
        if path.startswith("/") or ".." in parts:
            found.skipped["with a path that leads out of the archive"] += 1
        elif entry.is_dir() or not _is_to_sort(parts, found.skipped):
            continue
        elif entry.flag_bits & _IS_ENCRYPTED:
            found.skipped["encrypted"] += 1
        elif path not in found.members:
            found.members[path] = entry
            files.append(LooseFile(path, entry.file_size))
    found.files = tuple(sorted(files, key=lambda file: file.path))
    return found


def _is_to_sort(parts: tuple[str, ...], skipped: Counter[str]) -> bool:
    """Whether a file is a recording by its name; counts the others, except for what computers leave."""
    if is_left_by_system(parts) or any(part.startswith(".") for part in parts):
        return False
    if parts[-1] in LISTS:
        skipped["lists of an inbox"] += 1
        return False
    ending = PurePosixPath(parts[-1].lower().removesuffix(".gz")).suffix
    if ending.removeprefix(".") in READERS or ending == ".zip":
        return True
    skipped[ending or "without an ending"] += 1
    return False


def numbered(name: str, number: int) -> str:
    """A name with a number before its endings: `a.fit.gz` becomes `a-2.fit.gz`; the first keeps its name."""
    stem, packed = (name[:-3], name[-3:]) if name.lower().endswith(".gz") else (name, "")
    stem, ending = os.path.splitext(stem)
    return name if number == 1 else f"{stem}-{number}{ending}{packed}"

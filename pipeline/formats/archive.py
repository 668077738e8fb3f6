"""Archives of recordings. An inbox file in, the files it holds out: a `.gz` holds one, a `.zip` many, any other itself.

The kind of a file is decided by its first bytes: a `.fit` that is really gzip is unpacked. A `.gz` may be inside a
`.zip`, as in some exports; no other archive may be inside another. Sizes that an archive declares are never trusted.
"""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath, PureWindowsPath

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason
from pipeline.core.system_files import is_left_by_system

_GZIP = b"\x1f\x8b"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_IS_ENCRYPTED = 0x1  # bit of a ZIP member's flags

#: Others can expand without bound in a single read, before the limit on the size is looked at.
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)

#: What the standard library raises on archives that are damaged or odd; `NotImplementedError`, for odd ones, is a
#: `RuntimeError`.
DAMAGED = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, ValueError, RuntimeError, OverflowError)


@dataclass(frozen=True)
class Member:
    """A file that is no archive.

    Attributes:
        name: its path inside the archive with `/` between folders, without `.gz`; else the name of the inbox file.
    """

    name: str
    content: bytes


def unpack(name: str, content: bytes, *, max_unpacked_bytes: int, max_members: int) -> list[Member]:
    """Unwrap a `.gz` or `.zip`; return any other file as it is.

    Args:
        name: the inbox file's own name, without folder.
        max_unpacked_bytes: most that all members together may unpack to [bytes].
        max_members: most files that a `.zip` may hold, not counting folders and hidden files.

    Returns:
        The members in the order of the archive, at least one.

    Raises:
        Refused: an archive that is damaged, encrypted, empty, too large, or that reaches outside its own folder.
    """
    if content.startswith(_ZIP):
        members = _unzip(content, max_unpacked_bytes, max_members)
    elif content.startswith(_GZIP):
        members = [Member(_without_gz(name), _gunzip(name, content, max_unpacked_bytes, max_unpacked_bytes))]
    elif name.lower().endswith((".gz", ".zip")):
        raise Refused(Reason.NAMED_ARCHIVE, ending=PurePosixPath(name).suffix.lower())
    else:
        return [Member(name, content)]
    for member in members:
        if member.content.startswith((*_ZIP, _GZIP)):
            raise Refused(Reason.ARCHIVE_IN_ARCHIVE, member=member.name)
    return members


def _unzip(content: bytes, max_unpacked_bytes: int, max_members: int) -> list[Member]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = list(_recordings(archive))
            if len(entries) > max_members:
                raise Refused(Reason.MANY_MEMBERS, n_files=len(entries), most=max_members)
            return list(_unpacked(archive, entries, max_unpacked_bytes))
    except NotImplementedError:
        raise Refused(Reason.ARCHIVE_METHOD) from None
    except DAMAGED:
        raise Refused(Reason.DAMAGED_ZIP) from None


def _recordings(archive: zipfile.ZipFile) -> Iterator[zipfile.ZipInfo]:
    """The entries that are neither folders nor what computers add on their own; each is safe to unpack."""
    n_found = 0
    for entry in archive.infolist():
        name = entry.filename.replace("\\", "/")
        path = PurePosixPath(name)
        if path.is_absolute() or PureWindowsPath(entry.filename).drive or ".." in path.parts:
            raise Refused(Reason.LEADS_OUT, member=entry.filename[:80])
        if (
            not path.name
            or name.endswith("/")
            or is_left_by_system(path.parts)
            or any(part.startswith(".") for part in path.parts)
        ):
            continue
        if entry.flag_bits & _IS_ENCRYPTED:
            raise Refused(Reason.ENCRYPTED, member=str(path))
        if entry.compress_type not in _METHODS:
            raise NotImplementedError
        n_found += 1
        yield entry
    if n_found == 0:
        raise Refused(Reason.EMPTY_ARCHIVE)


def _unpacked(archive: zipfile.ZipFile, entries: list[zipfile.ZipInfo], max_unpacked_bytes: int) -> Iterator[Member]:
    left = max_unpacked_bytes
    for entry in entries:
        name = entry.filename.replace("\\", "/")
        with archive.open(entry) as stream:
            content = stream.read(left + 1)
        _require_within(len(content), left, max_unpacked_bytes)
        if content.startswith(_GZIP):
            # Its packed size counts as well: both are in memory.
            left -= len(content)
            content = _gunzip(name, content, left, max_unpacked_bytes)
            name = _without_gz(name)
        left -= len(content)
        yield Member(name, content)


def _gunzip(name: str, content: bytes, left: int, max_unpacked_bytes: int) -> bytes:
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(content)) as stream:
            unpacked = stream.read(left + 1)
    except DAMAGED:
        raise Refused(Reason.DAMAGED_GZIP, member=name) from None
    _require_within(len(unpacked), left, max_unpacked_bytes)
    return unpacked


def _require_within(n_bytes: int, left: int, max_unpacked_bytes: int) -> None:
    if n_bytes > left:
        raise Refused(Reason.LARGE_ARCHIVE, most_bytes=max_unpacked_bytes)


def _without_gz(name: str) -> str:
    return name[: -len(".gz")] if name.lower().endswith(".gz") else name

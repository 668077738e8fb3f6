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
from pipeline.core.system_files import is_left_by_system

_GZIP = b"\x1f\x8b"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_IS_ENCRYPTED = 0x1  # bit of a ZIP member's flags

#: Others can expand without bound in a single read, before the limit on the size is looked at.
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)

#: What the standard library raises on archives that are damaged or odd; `NotImplementedError`, for odd ones, is a
#: `RuntimeError`.
DAMAGED = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, ValueError, RuntimeError, OverflowError)

_COPY_AGAIN = "Copy or download the file again."


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
        kind = PurePosixPath(name).suffix.lower()
        raise Refused(f"The file is named {kind} but does not begin like one.", _COPY_AGAIN)
    else:
        return [Member(name, content)]
    for member in members:
        if member.content.startswith((*_ZIP, _GZIP)):
            raise Refused(
                f"The archive holds another archive, {member.name}; only a .gz inside a .zip is unpacked.",
                "Unpack it and put the recordings themselves into the inbox.",
            )
    return members


def _unzip(content: bytes, max_unpacked_bytes: int, max_members: int) -> list[Member]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = list(_recordings(archive))
            if len(entries) > max_members:
                raise Refused(
                    f"The archive holds {len(entries)} files, expected at most {max_members}.",
                    "Split it into smaller archives, raise max_members in settings.toml, or unpack it with "
                    "`splitdrift sort --from ARCHIVE --inbox INBOX`.",
                )
            return list(_unpacked(archive, entries, max_unpacked_bytes))
    except NotImplementedError:
        raise Refused(
            "The archive is packed in a way that is not supported, expected the ordinary ZIP (deflate).",
            "Pack the files again as an ordinary ZIP, or put them into the inbox unpacked.",
        ) from None
    except DAMAGED:
        raise Refused("The archive is damaged: it is no ZIP that can be read to its end.", _COPY_AGAIN) from None


def _recordings(archive: zipfile.ZipFile) -> Iterator[zipfile.ZipInfo]:
    """The entries that are neither folders nor what computers add on their own; each is safe to unpack."""
    n_found = 0
    for entry in archive.infolist():
        name = entry.filename.replace("\\", "/")
        path = PurePosixPath(name)
        if path.is_absolute() or PureWindowsPath(entry.filename).drive or ".." in path.parts:
            raise Refused(
                f'The archive holds "{entry.filename[:80]}", a path that leads out of its own folder.',
                "Pack the files again yourself, or put them into the inbox unpacked.",
            )
        if (
            not path.name
            or name.endswith("/")
            or is_left_by_system(path.parts)
            or any(part.startswith(".") for part in path.parts)
        ):
            continue
        if entry.flag_bits & _IS_ENCRYPTED:
            raise Refused(
                f"The archive is encrypted: {path} needs a password.",
                "Unpack it with the password and put the files into the inbox.",
            )
        if entry.compress_type not in _METHODS:
            raise NotImplementedError
        n_found += 1
        yield entry
    if n_found == 0:
        raise Refused("The archive holds no file.", "Put the recordings into it, or into the inbox themselves.")


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
        raise Refused(f"{name} is damaged: it is no gzip file that can be read to its end.", _COPY_AGAIN) from None
    _require_within(len(unpacked), left, max_unpacked_bytes)
    return unpacked


def _require_within(n_bytes: int, left: int, max_unpacked_bytes: int) -> None:
    if n_bytes > left:
        raise Refused(
            f"The archive unpacks to more than {max_unpacked_bytes:,} bytes, the most that is accepted.",
            "If its recordings are genuine, raise max_unpacked_mb in settings.toml, or put them into the inbox "
            "unpacked.",
        )


def _without_gz(name: str) -> str:
    return name[: -len(".gz")] if name.lower().endswith(".gz") else name

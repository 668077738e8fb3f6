"""Whether an inbox holds what it held, by names and contents alone: nothing is interpreted, no library is loaded."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.core.places import beneath, is_remote
from pipeline.core.system_files import is_left_by_system

#: Beyond this a file is no list or setting: it is left to the refresh, which refuses it by its size [bytes].
MOST_BYTES = 100_000_000


def digest_of_others(folder: Path, *, is_recording: Callable[[str], bool]) -> str:
    """SHA-256 of every file of an inbox that is none of its recordings: lists, settings, what nobody has seen yet.

    Args:
        is_recording: of a path in the inbox.

    Returns:
        Empty where names and contents do not say all: in an object store, with a link, with a name that is not UTF-8,
        with a file of more than `MOST_BYTES`, or where something cannot be read.
    """
    if is_remote(folder):
        return ""
    digest, closed = hashlib.sha256(), list[Path]()
    try:
        for name, file in sorted((name, file) for name, file in _files(folder, closed) if not is_recording(name)):
            if file.stat().st_size > MOST_BYTES:
                return ""
            with file.open("rb") as stream:
                content = hashlib.file_digest(stream, "sha256")
            digest.update(f"{name}\0{content.hexdigest()}\0".encode())
    except (OSError, ValueError):
        return ""
    return "" if closed else digest.hexdigest()


def _files(folder: Path, closed: list[Path]) -> Iterator[tuple[str, Path]]:
    for path in beneath(folder, closed):
        parts = path.relative_to(folder).parts
        if any(part.startswith(".") for part in parts) or is_left_by_system(parts) or _is_folder(path):
            continue
        if path.is_symlink() or not path.is_file():
            raise ValueError(f"{path} is no plain file")
        yield os.fsencode("/".join(parts)).decode("utf-8"), path


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()

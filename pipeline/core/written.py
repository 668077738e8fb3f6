"""Files that people write: lists, settings, corrections, studies.

They are read whole, and whatever is in an inbox may come from somebody else: so they are held to a size.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.core.errors import Unusable
from pipeline.core.places import is_remote
from pipeline.core.reasons import Reason

#: A list of 100,000 lines has about ten, and settings with a reason beside each a hundredth of one. Common practice, no
#: source.
MOST_LIST_BYTES, MOST_TOML_BYTES = 20_000_000, 1_000_000


def is_own(folder: Path, name: str) -> bool:
    """Whether a folder holds such a file; a link that leads out of the folder is none."""
    path = folder / name
    return path.is_file() and (is_remote(path) or path.resolve().is_relative_to(folder.resolve()))


def read_written(path: Path, most_bytes: int = MOST_LIST_BYTES) -> bytes:
    """The content of a file that a person wrote.

    Raises:
        Unusable: it is larger than any such file.
    """
    content = beginning(path, most_bytes)
    if len(content) > most_bytes:
        raise Unusable(Reason.LARGE_WRITTEN_FILE, name=path.name, most_bytes=most_bytes)
    return content


def beginning(path: Path, most_bytes: int = MOST_TOML_BYTES) -> bytes:
    """The content of a file, and of one that is too large a byte more than it may have."""
    with path.open("rb") as stream:
        return stream.read(most_bytes + 1)


def read_text(path: Path, most_bytes: int = MOST_TOML_BYTES) -> str:
    """The same as a text.

    Raises:
        Unusable: too large, or not in UTF-8.
    """
    try:
        return read_written(path, most_bytes).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Unusable(Reason.NO_UTF8, name=path.name, error=error.reason) from error

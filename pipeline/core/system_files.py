"""Files and folders that computers leave next to a person's own, which are no recordings anywhere."""

from __future__ import annotations

from collections.abc import Sequence

#: In lower case. Common practice, no source.
_NAMES = frozenset(
    {
        "thumbs.db", "ehthumbs.db", "desktop.ini", ".ds_store", "__macosx", "$recycle.bin", "system volume information",
        "@eadir",
    }
)  # fmt: skip
#: Of files that an office program has open, and of the other half of a file on foreign file systems.
_BEGINNINGS = ("~$", "._")


def is_left_by_system(parts: Sequence[str]) -> bool:
    """Whether any part of a path is a name that only computers give."""
    return any(part.lower() in _NAMES or part.startswith(_BEGINNINGS) for part in parts)

"""What belongs to the project besides its code: files such as the queries and the demo club."""

from __future__ import annotations

from pathlib import Path

#: Next to the package in a checkout, inside it in an installed wheel.
_PACKAGE = Path(__file__).parents[1]
_FOLDERS = (_PACKAGE / "shipped", _PACKAGE.parent)


def shipped(name: str) -> Path:
    """A file or folder that the project ships next to its code (`sql/runs.sql`, `data/club`).

    Raises:
        FileNotFoundError: it is in neither place.
    """
    for folder in _FOLDERS:
        if (folder / name).exists():
            return folder / name
    raise FileNotFoundError(f"{name} is missing from this installation of splitdrift")

"""Ids of athletes, which are names of folders: which names can be one, and which spellings are the same one."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from pipeline.inbox.lists import LISTS

#: File systems hold names of at most 255 bytes, and in the store more stands around an athlete's.
MOST_NAME_BYTES = 200


@dataclass(frozen=True)
class Known:
    """Athletes who have a folder or are in the roster, to whom other spellings of the same name are brought back."""

    athletes: frozenset[str]

    def spelled(self, athlete_id: str) -> str:
        """The athlete's id as it is known; letters may differ in case and in how accents are encoded."""
        if athlete_id in self.athletes:
            return athlete_id
        same = [name for name in sorted(self.athletes) if folded(name) == folded(athlete_id)]
        return same[0] if same else athlete_id


def folded(name: str) -> str:
    """A name without what spellings of the same name differ in."""
    return unicodedata.normalize("NFC", name).casefold()


def is_too_long(name: str) -> bool:
    """Whether the store has no room for a name; `%` and `=` take three bytes there."""
    return len(name.encode()) + 2 * (name.count("%") + name.count("=")) > MOST_NAME_BYTES


def is_athlete_id(name: str) -> bool:
    """Whether a name can be that of an athlete's folder."""
    return (
        bool(name.strip())
        and name == name.strip()
        and not name.startswith(".")
        and name not in LISTS
        and not is_too_long(name)
        and all(letter.isprintable() and letter not in '/\\:*?"<>|' for letter in name)
    )

"""Names of sports in files. A word or a code in, `running` or another lower-case word out.

The words are in `sports.toml`.
"""

from __future__ import annotations

import re

from pipeline.core.toml import beside
from pipeline.formats import RUNNING

_FILE = beside(__file__)
_RUNNING, _UNTOLD, _RIDING, _RIDES = (
    frozenset(_FILE[name].split(", ")) for name in ("running", "untold", "riding", "rides")
)
#: Sports that are certainly no run.
OTHERS = frozenset(_FILE["others"].split(", "))
_NOT_RUNNING = re.compile(r"langlauf|eislauf|skilauf|schlittschuh|inline|brunch|trunk")
#: Codes that programs write in place of a word, from memory.
_CODES = {"9": RUNNING}


def is_ride(sport: str) -> bool:
    """Whether the word for a sport is one for riding a bicycle."""
    plain = sport.strip().lower()
    return plain in _RIDES or any(part in plain for part in _RIDING)


def sport_named(word: str | None) -> str | None:
    """`running` for a run in any of the languages; None where the word says nothing; else the word in small letters."""
    if word is None:
        return None
    plain = word.strip().lower()
    if not plain or plain in _UNTOLD:
        return None
    joined = re.sub(r"[\W_]+", "_", plain).strip("_")
    is_run = ("run" in plain or re.search(r"lauf(en)?(_|$)", joined)) and not _NOT_RUNNING.search(plain)
    if is_run or joined in _RUNNING or any(part in _RUNNING for part in joined.split("_")):
        return RUNNING
    return _CODES.get(plain, plain)

"""TOML from strangers: read, or refused before it takes long."""

from __future__ import annotations

import re
import tomllib
from typing import Any

#: Far beyond what anybody writes. The time to read a name of many parts grows with their square, and of a number of so
#: many digits there is a text and a float. Common practice, no source.
_MOST_DOTS, _MOST_CHARACTERS = 60, 200
#: Texts and comments, in which neither counts; blanks, which may stand between the parts of a name. A text of several
#: lines may hold an escaped quotation mark and end with two of its own. One without an end is taken as it is, since
#: looking for it from each of many marks would take long.
_LEFT_OUT = re.compile(
    r"\"{3}(?:\\.|.)*?(?:\"{3,5}|\Z)|'{3}.*?(?:'{3,5}|\Z)|\"(?:\\.|[^\"\\\n])*\"?|'[^'\n]*'?|#[^\n]*|[ \t]+",
    re.DOTALL,
)
_NAMES = re.compile(r"[\w.-]+")


def parsed(text: str) -> dict[str, Any]:
    """A text in TOML.

    Raises:
        ValueError: it is none, or more involved than anything a person writes.
    """
    bare = _LEFT_OUT.sub("", text)
    names = _NAMES.findall(bare)
    if any(name.count(".") > _MOST_DOTS for name in names):
        raise ValueError(f"a name has more than {_MOST_DOTS} dots")
    if any(len(name) > _MOST_CHARACTERS for name in names):
        raise ValueError(f"a name or a number has more than {_MOST_CHARACTERS} characters")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("too many brackets are in each other") from None

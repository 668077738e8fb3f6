"""TOML from strangers: read, or refused before it takes long."""

from __future__ import annotations

import re
import tomllib
from typing import Any

#: Far beyond what anybody writes. The time to read a name of many parts grows with their square, and brackets in each
#: other end at the depth to which Python calls. Common practice, no source.
_MOST_DOTS, _MOST_BRACKETS = 60, 50
#: Texts and comments, in which neither counts.
_STRINGS = re.compile(r"\"\"\".*?\"\"\"|'''.*?'''|\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*'|#[^\n]*", re.DOTALL)


def parsed(text: str) -> dict[str, Any]:
    """A text in TOML.

    Raises:
        ValueError: it is none, or more involved than anything a person writes.
    """
    bare = _STRINGS.sub("", text)
    if any(line.count(".") > _MOST_DOTS for line in bare.splitlines() if "=" in line or line.lstrip().startswith("[")):
        raise ValueError(f"a line has more than {_MOST_DOTS} dots")
    depth = most = 0
    for sign in re.findall(r"[\[\]{}]", bare):
        depth += 1 if sign in "[{" else -1
        most = max(most, depth)
    if most > _MOST_BRACKETS:
        raise ValueError(f"more than {_MOST_BRACKETS} brackets are in each other")
    return tomllib.loads(text)

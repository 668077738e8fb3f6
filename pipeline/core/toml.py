"""TOML: of the project, next to a module; and from strangers, read, or refused before it takes long."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
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
#: A value that is a text without quotation marks.
_BARE_TEXT = re.compile(r"[ \t]*([\w-]{1,40})[ \t]*=[ \t]*([^\W\d_][\w ./:+-]{0,40}?)[ \t]*(?:#.*)?$")
_HEADING, _KEY = re.compile(r"\s*(\[\[?)\s*([^\]]*?)\s*\]"), re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")


def beside(module: str) -> dict[str, Any]:
    """The data of a module: the file of the project with the same name and the ending `.toml`.

    Args:
        module: its `__file__`.
    """
    return tomllib.loads(Path(module).with_suffix(".toml").read_text(encoding="utf-8"))


def lines_of(text: str) -> dict[tuple[str | int, ...], int]:
    """Line of each table and key, which `tomllib` does not give.

    Returns:
        By the names of the table and that of the key; of tables `[[name]]` by that name and which of them it is.
    """
    lines: dict[tuple[str | int, ...], int] = {}
    where: tuple[str | int, ...] = ()
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if heading := _HEADING.match(line):
            where = tuple(part.strip().strip("\"'") for part in heading[2].split(".", 1))
            if heading[1] == "[[":
                counts[heading[2]] = counts.get(heading[2], -1) + 1
                where = (*where, counts[heading[2]])
            lines.setdefault(where, number)
        elif key := _KEY.match(line):
            lines.setdefault((*where, key[1]), number)
    return lines


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
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{error}{_about_quotes(str(error), text)}") from None


def _about_quotes(error: str, text: str) -> str:
    """What to say of a line with an error whose value is a text without quotation marks; else nothing."""
    number = re.search(r"at line (\d+)", error)
    line = text.splitlines()[int(number[1]) - 1] if number else ""
    bare = _BARE_TEXT.match(line)
    return f': a text needs quotation marks, {bare[1]} = "{bare[2]}"' if bare else ""

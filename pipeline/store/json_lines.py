"""Files of one JSON object per line that grow at their end: the history of a store and its register of studies.

A process that is killed while it appends leaves at most the beginning of its own line. Reading skips such a line, and
the next append starts a new one.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.core.places import is_remote

Row = dict[str, Any]


def read_json_lines(path: Path) -> list[Row]:
    """The rows of a file, oldest first; none where it does not exist."""
    try:
        return _rows(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return []


def append_json_lines(path: Path, missing: Callable[[list[Row]], Iterable[Mapping[str, Any]]]) -> list[Row]:
    """Append rows to a file in one piece; returns all its rows.

    On a disk one process at a time appends; in an object store, where the whole object is written, the caller holds the
    lock of the store.

    Args:
        path: the file; made if absent.
        missing: the rows to append, given those that the file holds.
    """
    if is_remote(path):
        rows = read_json_lines(path)
        if added := list(missing(rows)):
            path.write_text(_text([*rows, *added]), encoding="utf-8")
        return [*rows, *map(dict, added)]
    with path.open("a+", encoding="utf-8") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        file.seek(0)
        before = file.read()
        rows = _rows(before)
        if added := list(missing(rows)):
            file.write(("" if before.endswith("\n") or not before else "\n") + _text(added))
            file.flush()
            os.fsync(file.fileno())
        return [*rows, *map(dict, added)]


def _rows(text: str) -> list[Row]:
    rows = []
    for line in text.splitlines():
        with suppress(ValueError):
            rows.append(json.loads(line))
    return rows


def _text(rows: Iterable[Mapping[str, Any]]) -> str:
    return "".join(f"{json.dumps(row)}\n" for row in rows)

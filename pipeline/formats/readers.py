"""The registry of formats: the ending of a file → what reads it. Messages, table checks and tests take it from here."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

from pipeline.formats import ReadOptions, Recording

#: Raises `Refused` for what it cannot read at all.
Reader = Callable[[bytes, ReadOptions], list[Recording]]


def _module(name: str) -> Reader:
    """The function `decode` of a module of this package, imported with the first file that it reads."""

    def read(content: bytes, options: ReadOptions) -> list[Recording]:
        recordings: list[Recording] = import_module(f"pipeline.formats.{name}").decode(content, options)
        return recordings

    return read


#: Ending in lower case, without its dot → reader.
READERS: dict[str, Reader] = {
    "fit": _module("fit"),
    "csv": _module("csv"),
    "tcx": _module("tcx"),
    "gpx": _module("gpx"),
}


def known_endings() -> str:
    """The endings that recordings may have, for messages."""
    return ", ".join(f".{ending}" for ending in READERS)

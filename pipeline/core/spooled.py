"""Rows told apart by their section as they come, in any order, without holding all of them."""

from __future__ import annotations

import os
import pickle
import weakref
from array import array
from collections.abc import Iterable, Iterator
from contextlib import suppress
from tempfile import TemporaryFile, gettempdir
from typing import IO, Any, Generic, TypeVar

Row = TypeVar("Row")

#: So many rows are held; with more, all that came so far wait in a file.
MOST_ROWS = 4_096


class Spooled(Generic[Row]):
    """Rows in order of their coming, to be read one section after the other and as often as wanted.

    They wait in a file without a name, in the folder for temporary files of this machine: no other process can open
    it, and it is gone with this one.
    """

    def __init__(self, rows: Iterable[tuple[int, Row]], n_sections: int = 1) -> None:
        """Take the number of the section of each row, and the row."""
        self._held: list[list[Row]] = [[] for _ in range(n_sections)]
        self._blocks = [array("q") for _ in range(n_sections)]
        self._file: IO[bytes] | None = None
        self._n_rows = n_held = 0
        for number, row in rows:
            if n_held == MOST_ROWS:
                self._put_away()
                n_held = 0
            self._held[number].append(row)
            self._n_rows, n_held = self._n_rows + 1, n_held + 1

    def __len__(self) -> int:
        """How many rows all sections have."""
        return self._n_rows

    def of(self, number: int = 0) -> Iterator[Row]:
        """The rows of a section."""
        for place in self._blocks[number]:
            assert self._file is not None
            self._file.seek(place)
            rows: list[Any] = pickle.load(self._file)  # which this object wrote
            yield from rows
        yield from self._held[number]

    def _put_away(self) -> None:
        try:
            if self._file is None:
                self._file = TemporaryFile(prefix="splitdrift-")  # noqa: SIM115 -- closed with this object
                weakref.finalize(self, _close, self._file)
            self._file.seek(0, os.SEEK_END)
            for rows, places in zip(self._held, self._blocks, strict=True):
                if rows:
                    places.append(self._file.tell())
                    pickle.dump(rows, self._file)
                    rows.clear()
            self._file.flush()
        except OSError as error:  # of a file without a name: which disk is full has to be said
            raise OSError(error.errno, error.strerror, gettempdir()) from error


def _close(file: IO[bytes]) -> None:
    with suppress(OSError):  # what a full disk did not take is tried once more, and was told
        file.close()

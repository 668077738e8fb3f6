"""Rows of a club without a store, for the pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl

from pipeline.pages.club_rows import ClubRows
from pipeline.tables import empty, publishable


class RowsInMemory(ClubRows):
    """The rows of a club that a test gives, published; tables that it leaves out are empty."""

    def __init__(self, *, is_coded: bool = False, **tables: Any):
        super().__init__(Path("nowhere"), is_coded=is_coded)
        self._frames = {
            name: publishable(name, pl.DataFrame(rows, infer_schema_length=None), subject="test")
            for name, rows in tables.items()
            if rows
        }
        self.__dict__ |= {"_names": {}, "_notes": {}, "_key": b"a key of this test"}

    def table(self, name: str) -> pl.DataFrame:
        return self._frames[name] if name in self._frames else empty(name)

"""The demo club, and a store made of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl

from pipeline.store.layout import read_table

CLUB = Path(__file__).parents[2] / "data" / "club"


@dataclass(frozen=True)
class Refreshed:
    """A store and the ledger of the refresh that made it."""

    store: Path
    ledger: pl.DataFrame
    _tables: dict[str, pl.DataFrame] = field(default_factory=dict, repr=False, compare=False)

    def table(self, name: str) -> pl.DataFrame:
        """A table as an outsider reads it: from the DuckDB file, where there is one. Read once."""
        if name not in self._tables:
            self._tables[name] = self._read(name)
        return self._tables[name]

    def _read(self, name: str) -> pl.DataFrame:
        if not (self.store / "splitdrift.duckdb").exists():
            return read_table(self.store, name).sort(pl.all(), nulls_last=True)
        with duckdb.connect(str(self.store / "splitdrift.duckdb"), read_only=True) as connection:
            connection.execute("SET TimeZone = 'UTC'")
            return connection.sql(f"SELECT * FROM {name} ORDER BY ALL").pl()

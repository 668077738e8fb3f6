"""Rows of a club without a store, for the pages."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.reasons import Reason, as_json, because
from pipeline.pages.club_rows import ClubRows
from pipeline.tables import PARTITIONED, empty, publishable

Row = dict[str, Any]


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

    def own(self, name: str, athlete_id: str) -> pl.DataFrame:
        if name in PARTITIONED:  # which a store has by athlete
            return self._of_athletes(name).filter(pl.col("athlete_id") == athlete_id)
        return super().own(name, athlete_id)

    def splits(self) -> Iterator[pl.DataFrame]:
        yield self.table("splits")


def run(athlete_id: str = "ari", day: int = 1, **differing: Any) -> Row:
    """A row of `runs`."""
    return {
        "run_id": f"{athlete_id}-{day}", "athlete_id": athlete_id,
        "started_at_utc": datetime(2026, 3, day, 9, tzinfo=UTC), "distance_km": 10.0,
        "moving_s": 3000.0, "paused_s": 0.0, "altitude": "steady", "device": "harbour watch",
        "speed_source": "device",
    } | differing  # fmt: skip


def file(path: str, status: str = "accepted", **differing: Any) -> Row:
    """A row of `recordings`."""
    return {
        "path": path, "session": 1, "file": path.partition("!")[0], "sha256": hashlib.sha256(path.encode()).hexdigest(),
        "athlete_id": path.partition("/")[0], "run_id": None, "format": "fit", "status": status, "n_samples": 9,
        "reasons": as_json([because(Reason.EMPTY)]), "reason": "as it is", "fix": None,
    } | differing  # fmt: skip

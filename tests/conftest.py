"""The few fixtures that more than one file of tests needs."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

# Tests invert many small matrices: threads that wait for each other would take most of the time. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import duckdb
import numpy as np
import polars as pl
import pytest
from playwright.sync_api import Browser

from data.generator.fit_writer import run_file
from pipeline.design import Entering
from pipeline.inbox import read_inbox
from pipeline.pages.club_rows import ClubRows
from pipeline.refresh import refresh
from pipeline.study.material import Material
from pipeline.tables import empty, publishable
from tests.browser import launched

CLUB = Path(__file__).parents[1] / "data" / "club"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The files whose tests are mostly slow come first: at the end every process has a short one left, not one all."""
    slow: dict[Path, list[bool]] = {}
    for item in items:
        slow.setdefault(item.path, []).append(item.get_closest_marker("slow") is not None)
    items.sort(key=lambda item: -sum(slow[item.path]) / len(slow[item.path]))


@dataclass(frozen=True)
class Refreshed:
    """A store and the ledger of the refresh that made it."""

    store: Path
    ledger: pl.DataFrame

    def table(self, name: str) -> pl.DataFrame:
        """A table as an outsider reads it: from the DuckDB file."""
        with duckdb.connect(str(self.store / "splitdrift.duckdb"), read_only=True) as connection:
            connection.execute("SET TimeZone = 'UTC'")
            return connection.sql(f"SELECT * FROM {name} ORDER BY ALL").pl()


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Refreshed:
    """The demo club, taken through the line in this process. Only to be read."""
    store = tmp_path_factory.mktemp("demo") / "store"
    return Refreshed(store, refresh(read_inbox(CLUB), store, jobs=1))


@pytest.fixture(scope="session")
def demo_store(demo: Refreshed) -> Path:
    """The store of the demo club. Only to be read."""
    return demo.store


@pytest.fixture
def own_store(demo: Refreshed, tmp_path: Path) -> Path:
    """A store like the demo club's, to be asked: what is asked of a store is noted in it."""
    store = tmp_path / "own store"
    shutil.copytree(demo.store, store, symlinks=True, copy_function=os.link)
    return store


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for the tests of a file."""
    with launched() as one:
        yield one


def fit_run(
    started_at: str = "2026-03-14T09:00:00", *, km: float = 2.0, speed_m_s: float = 3.0, **columns: Any
) -> bytes:
    """A FIT file of an even run: a record every second, 170 steps a minute, 240 ms on the ground.

    Args:
        started_at: in UTC.
        km: length [km].
        speed_m_s: [m/s].
        columns: arguments of `data.generator.fit_writer.run_file` that differ; a number is repeated for each record.
    """
    elapsed_s = np.arange(0, 1000 * km / speed_m_s + 1)
    readings = {"speed_m_s": speed_m_s, "cadence_strides_min": 85.0, "contact_time_ms": 240.0, **columns}
    filled = {
        name: np.full(len(elapsed_s), value) if isinstance(value, int | float) and name != "header_size" else value
        for name, value in readings.items()
    }
    started_unix_s = int(datetime.fromisoformat(started_at).replace(tzinfo=UTC).timestamp())
    return run_file(started_unix_s, elapsed_s, np.minimum(elapsed_s * speed_m_s, 1000 * km), **filled)


@pytest.fixture
def tiny_inbox(tmp_path: Path) -> Callable[[Mapping[str, bytes | str]], Path]:
    """Make an inbox of the files given by path; text is written as UTF-8."""

    def make(files: Mapping[str, bytes | str]) -> Path:
        folder = tmp_path / "inbox"
        folder.mkdir()
        for name, content in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return folder

    return make


class RowsInMemory(ClubRows):
    """The rows of a club that a test gives, published; tables that it leaves out are empty."""

    def __init__(self, *, is_coded: bool = False, since: Mapping[tuple[str, str], str] | None = None, **tables: Any):
        super().__init__(Path("nowhere"), is_coded=is_coded)
        self._frames = {
            name: publishable(name, pl.DataFrame(rows, infer_schema_length=None), subject="test")
            for name, rows in tables.items()
            if rows
        }
        self.__dict__ |= {"since": since or {}, "_names": {}, "_key": b"a key of this test"}

    def table(self, name: str) -> pl.DataFrame:
        return self._frames[name] if name in self._frames else empty(name)


def cohort_of(
    value: Callable[[int, int, float], float],
    *,
    n_athletes: int = 5,
    n_runs: int = 1,
    km: int | Callable[[int, int], int] = 20,
    speed_m_s: Callable[[int, int, float], float] = lambda *_: 3.0,
    response_to_speed: float = 0.0,
    metric: str = "contact_time_ms",
    **others: Any,
) -> Material:
    """What a study works on, invented: athletes 0, 1, ... with runs 0, 1, ... of whole kilometres; km 1 is the warm-up.

    Args:
        value: of the metric, of an athlete and a run in the middle of a split [km].
        n_athletes: athletes.
        n_runs: of each.
        km: length of each run, or of one of an athlete.
        speed_m_s: of a split, likewise.
        response_to_speed: of everyone, at a reference of 3 m/s.
        metric: column of splits.
        others: fields of `Material` that differ.
    """
    splits, runs = [], []
    for athlete, run in ((athlete, run) for athlete in range(n_athletes) for run in range(n_runs)):
        who = {"athlete_id": f"a{athlete:02}", "run_id": f"a{athlete:02}-{run}"}
        length = km if isinstance(km, int) else km(athlete, run)
        runs.append(who | {"distance_km": float(length), "kind": "race", "surface": "road", "device": "blue"})
        for number in range(1, length + 1):
            speed = speed_m_s(athlete, run, number - 0.5)
            fixed = {"length_m": 1000.0, "run_share": 1.0, "slope_pct": 0.0, "slope_squared_pct2": 0.0}
            splits.append(
                {**who, **fixed, "km": number, "speed_m_s": speed, "running_s": 1000 / speed}
                | {metric: value(athlete, run, number - 0.5)}
            )
    known = {"metric": metric, "fresh_level": 1.0, "reference_speed_m_s": 3.0, "response_to_speed": response_to_speed}
    nothing = dict.fromkeys(("response_to_speed_squared", "response_to_slope", "response_to_slope_squared"), 0.0)
    drifts = [{"athlete_id": f"a{athlete:02}", **known, **nothing} for athlete in range(n_athletes)]
    fields: dict[str, Any] = {
        "runs": pl.DataFrame(runs),
        "splits": pl.DataFrame(splits),
        "drifts": pl.DataFrame(drifts),
        "run_drifts": pl.DataFrame(),
        "strike_shift": empty("strike_shift"),
        "other_splits": None,
        "enter": Entering(1000.0, 1000.0, 0.95, 0.99, 4),
        "seed": 1,
    }
    return Material(**fields | others)

"""A small club that is refreshed night after night, and two states compared."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import duckdb
import numpy as np
import polars as pl
import pytest

from data.generator.fit_writer import run_file
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.nightly.nightly import Night, one_night
from pipeline.nightly.plan import Plan, next_night, time_of
from pipeline.refresh.context import AthleteTask, BuildContext
from pipeline.refresh.refresh import bring_up_to_date
from pipeline.refresh.steps import executor_over
from pipeline.store.contents import is_note, mark_whole, write_contents
from pipeline.store.generations import published
from pipeline.store.layout import read_rows
from pipeline.tables import empty
from pipeline.workers.pool import workers

MARCH_14 = 1_773_478_800  # 2026-03-14T09:00:00Z, in seconds since 1970


#: A recording without a clock: its start stands in sessions.csv.
CLOCKLESS = "elapsed_s,distance_m,cadence_spm\n" + "".join(f"{s},{3 * s},{170 + s % 7}\n" for s in range(0, 2000, 5))


def drifting_run(
    day: int = 0, *, seed: int = 1, km: float = 6.0, serial_number: int | None = None, **columns: float
) -> bytes:
    """A run on a day after 14 March whose form, speed and readings are drawn: every seed gives other bytes."""
    draws = np.random.default_rng(seed)
    elapsed_s = np.arange(0.0, 1000 * km / 3 + 1, 5)
    along = elapsed_s / elapsed_s[-1]
    speed = 3 + 0.3 * np.sin(6 * along + draws.uniform(0, 6)) + draws.normal(0, 0.02, len(along))
    distance_m = np.cumsum(speed) * 5
    readings = {
        "cadence_strides_min": 85 + 4 * (speed - 3) - draws.uniform(0, 2) * along + draws.normal(0, 0.3, len(along)),
        "contact_time_ms": 240 - 30 * (speed - 3) + draws.uniform(0, 9) * along + draws.normal(0, 1, len(along)),
        **{name: draws.normal(value, 0.01 * value, len(along)) for name, value in columns.items()},
    }
    start, along_m = MARCH_14 + 86_400 * day, distance_m - distance_m[0]
    return run_file(start, elapsed_s, along_m, serial_number=serial_number, speed_m_s=speed, **readings)


@dataclass(frozen=True)
class Done:
    """What a refresh took in hand, as the steps were given it."""

    ledger: pl.DataFrame
    read: list[str]
    responded: list[str]
    analysed: list[str]
    metrics: dict[str, tuple[str, ...]]

    @property
    def athletes(self) -> tuple[list[str], list[str], list[str]]:
        """Whose files were read, and who was responded for and analysed."""
        return sorted({path.partition("/")[0] for path in self.read}), self.responded, self.analysed


@dataclass
class Nights:
    """An inbox and its store under one folder."""

    root: Path
    n_fresh: int = field(default=0)
    #: Whether refreshes write database, exports and pages.
    outputs: bool = True

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    @property
    def store(self) -> Path:
        return self.root / "store"

    @property
    def _remembered(self) -> Path:
        return self.root.with_name(f"{self.root.name}-remembered")

    def remember(self) -> Nights:
        """Keep inbox and store as they are now, for tests that each begin with them."""
        shutil.copytree(self.root, self._remembered, symlinks=True)
        return self

    def restored(self) -> Nights:
        """Inbox and store as they were remembered, under the same path: a store that moved is not up to date."""
        # Renamed, not removed: a test may have left what may not be looked into.
        self.root.rename(self.root.with_name(f"{self.root.name}-{uuid4().hex}"))
        shutil.copytree(self._remembered, self.root, symlinks=True)
        return Nights(self.root, outputs=self.outputs)

    def put(self, name: str, content: bytes | str) -> None:
        path = self.inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())

    def refresh(
        self,
        store: Path | None = None,
        *,
        inbox: Inbox | None = None,
        changed: Mapping[str, Any] = MappingProxyType({}),
        repairs: bool = False,
    ) -> Done:
        """Refresh in process, noting what the steps are given; with some steps changed, or an inbox that was read."""
        read: list[str] = []
        responded: list[str] = []
        analysed: list[AthleteTask] = []

        def noted(step: Callable[..., Any], note: Callable[[Sequence[Any]], None]) -> Callable[..., Any]:
            def taken(context: BuildContext, items: Sequence[Any], *more: Any) -> Any:
                note(items)
                return step(context, items, *more)

            return taken

        with workers(0, 1, few=1) as mapper:
            executor = replace(executor_over(mapper), **({} if self.outputs else {"write_outputs": nothing}), **changed)
            watched = replace(
                executor,
                measure=noted(
                    executor.measure, lambda shards: read.extend(file.path for shard in shards for file in shard.files)
                ),
                respond=noted(executor.respond, lambda tasks: responded.extend(task.athlete_id for task in tasks)),
                analyse_after_club=noted(executor.analyse_after_club, analysed.extend),
            )
            ledger = empty("recordings")
            with suppress(Stopped):
                inbox = inbox or read_inbox(self.inbox)
                state = bring_up_to_date(inbox, store or self.store, watched, repairs=repairs)
                ledger = read_rows(state, "recordings")
        return Done(
            ledger,
            sorted(read),
            sorted(responded),
            sorted(athlete.athlete_id for athlete in analysed),
            {athlete.athlete_id: athlete.metrics for athlete in analysed},
        )

    def taken_in_hand(self) -> Done:
        """What a refresh takes in hand for a new state; it is stopped before that is made."""
        done = self.refresh(changed={"analyse_after_club": stop})
        assert done.ledger.is_empty(), "nothing was new"
        return done

    def assert_as_if_done_anew(self) -> None:
        """Compare the store, byte by byte, with one refresh of the present inbox into a new store."""
        self.n_fresh += 1
        fresh = self.root / f"fresh-{self.n_fresh}"
        self.refresh(fresh)
        assert_same_state(self.store, fresh)


def nothing(*_: object) -> None:
    """A step that is left out."""


class Stopped(Exception):
    """A refresh that has told enough."""


def stop(*_: object) -> None:
    raise Stopped


class Killed(BaseException):
    """What ends a process at once: nothing is tidied up behind it."""


class Schedule:
    """The nights of a club as `splitdrift nightly --at` begins them, by a clock that only waiting moves.

    Attributes:
        began_at: of each night, on the wall clock.
        sizes: after each, what the store takes, see `Sizes`.
    """

    AT, ZONE, RETRIES = time_of("02:30"), ZoneInfo("Europe/Berlin"), 1

    def __init__(self, club: Nights, begins: datetime) -> None:
        self.club, self._now = club, begins.replace(tzinfo=self.ZONE)
        self.began_at: list[datetime] = []
        self.sizes: list[Sizes] = []
        self.done: Done | None = None

    def night(self) -> Night:
        """The next one. `Killed` passes through, as what ends a process does."""
        self._now = next_night(self.AT, self._now).astimezone(self.ZONE)
        self.began_at.append(self._now)
        plan = Plan(self.club.inbox, self.club.store, self.ZONE, retries=self.RETRIES)
        night = one_night(plan, self._refresh, sleep=self._wait, now=lambda: self._now)
        self.sizes.append(Sizes.of(self.club.store))
        return night

    def _refresh(self, inbox: Inbox, _store: Path) -> pl.DataFrame:
        self.done = self.club.refresh(inbox=inbox)
        return self.done.ledger

    def _wait(self, seconds: float) -> None:
        self._now += timedelta(seconds=seconds)


@dataclass(frozen=True)
class Sizes:
    """How many states a store has, and what takes how much of it [bytes]: the valid one of so many runs, its history,
    pages of nights.
    """

    n_states: int
    valid: int
    n_runs: int
    history: int
    pages: int

    @classmethod
    def of(cls, store: Path) -> Sizes:
        return cls(
            len(list((store / "generations").iterdir())),
            _bytes_below(published(store)),
            len(list(published(store).glob("tables/samples/**/*.parquet"))),
            (store / "history.jsonl").stat().st_size,
            _bytes_below(store / "nights"),
        )


def _bytes_below(folder: Path) -> int:
    """What the files below a folder take; one that has several names counts once."""
    paths = (os.path.join(below, name) for below, _, names in os.walk(folder) for name in names)
    return sum({file.st_ino: file.st_size for file in map(os.stat, paths)}.values())


def leave_hollow(patched: pytest.MonkeyPatch) -> None:
    """Database and workbook become empty files: for tests of when they are written, not of what they hold."""
    patched.setattr("pipeline.store.database._write", lambda _built, file, _registry: file.touch())
    patched.setattr("pipeline.store.exports._write_workbook", lambda file, *_: file.touch())


def noted_anew(state: Path) -> None:
    """Note what a state holds now as what was written, as if another version had written it."""
    write_contents(state, None)
    mark_whole(state)


def files_of(store: Path) -> dict[str, bytes]:
    """The files of the valid state by path, without those that may differ: times, places, the database's own bytes."""
    folder = published(store)
    different = {
        "splitdrift.duckdb", "refresh.json", "known/keys.json", "known/unchanged.json", "pages/index.html",
    }  # fmt: skip
    names = (path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if path.is_file())
    chosen = (name for name in names if name not in different and not is_note(name))
    return {name: (folder / name).read_bytes() for name in chosen}


def rows_of(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table of the database, if there is one."""
    if not (store / "splitdrift.duckdb").exists():
        return {}
    with duckdb.connect(str(store / "splitdrift.duckdb"), read_only=True) as database:
        database.execute("SET TimeZone = 'UTC'")
        names = [name for (name,) in database.sql("SHOW TABLES").fetchall()]
        return {name: database.sql(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for name in names}


def assert_same_state(left_store: Path, right_store: Path) -> None:
    """Say which file or row differs, and how."""
    left, right = files_of(left_store), files_of(right_store)
    assert sorted(left) == sorted(right), f"only in one: {sorted(set(left) ^ set(right))}"
    for name, content in left.items():
        if content != right[name] and name.endswith(".parquet"):
            rows = [
                pl.read_parquet(store / "current" / name, hive_partitioning=False)
                for store in (left_store, right_store)
            ]
            apart = [(a, b) for a, b in zip(rows[0].rows(), rows[1].rows(), strict=False) if a != b]
            pytest.fail(f"{name} differs: {rows[0].height} and {rows[1].height} rows; rows that differ: {apart[:3]}")
        assert content == right[name], f"{name} differs"
    left_rows, right_rows = rows_of(left_store), rows_of(right_store)
    for table, rows in left_rows.items():
        assert rows == right_rows[table], f"table {table} differs"

"""The few fixtures that more than one file of tests needs."""

from __future__ import annotations

import gc
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

# Tests invert many small matrices: threads that wait for each other would take most of the time. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Rewriting the assertions of all tests takes longer than the rest of their collection, and each process would do it.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# Modules, tests and their parameters stay to the end: looking through them again and again takes seconds.
gc.disable()

import polars as pl
import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.refresh.steps import Executor, executor_over
from pipeline.store import database
from pipeline.store.lock import locked
from pipeline.workers.pool import Mapper, here
from tests.support.demo_store import CLUB, Refreshed

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def pytest_xdist_auto_num_workers() -> int:
    """One process more than there are cores: tests of servers and of time limits wait for most of their time."""
    return (os.cpu_count() or 1) + 1


#: The files that take longest, longest first, by default or in depth: by waiting or by computing more than ten seconds.
LONGEST = (
    "line/test_season_of_nights", "flows/test_cluster", "flows/test_flow_refresh", "line/test_limits",
    "reference/test_drift_is_calibrated", "store/test_known", "line/test_hostile_input", "line/test_unbroken",
    "reference/test_context_is_calibrated", "refresh/test_damage", "pages/test_pages_in_a_browser",
    "line/test_mutated_files", "line/test_walk_through", "refresh/test_sections", "pages/test_draw",
    "nightly/test_nightly", "refresh/test_redraw", "refresh/test_refresh", "commands/test_study",
    "odd/test_correction_cases", "stages/test_calibration", "study/test_released",
    "pages/test_squads", "pages/test_pages_tell_the_tables", "line/test_resumed",
    "commands/test_commands", "refresh/test_unchanged", "stages/test_drift", "line/test_what_is_loaded",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What is tested in depth is slow, too. The files that take longest come first, then those whose tests are mostly
    slow: at the end every process has a short one left, not one all.
    """
    slow: dict[Path, list[bool]] = {}
    for item in items:
        if item.get_closest_marker("depth"):
            item.add_marker(pytest.mark.slow)
        slow.setdefault(item.path, []).append(item.get_closest_marker("slow") is not None)
    gc.collect()
    gc.freeze()
    gc.enable()
    rank = {Path(__file__).parent / f"{name}.py": place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: (rank.get(item.path, len(rank)), -sum(slow[item.path]) / len(slow[item.path])))


@pytest.fixture(scope="session", autouse=True)
def no_power_cut() -> Iterator[None]:
    """No refresh waits until the disk has everything, also of the other processes of tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "sync", lambda: None)
        yield


@pytest.fixture(autouse=True)
def no_comments(monkeypatch: pytest.MonkeyPatch) -> None:
    """A refresh within a test leaves out the comments on columns, which take a third of a small one.

    Those that tests share, and those of other processes, have them.
    """
    monkeypatch.setattr(database, "_comments", lambda *_: ())


@pytest.fixture
def no_outputs(monkeypatch: pytest.MonkeyPatch) -> None:
    """A refresh within a test writes tables, but no database, exports or pages: two thirds of a small one."""

    def tables_only(mapper: Mapper) -> Executor:
        return replace(executor_over(mapper), write_outputs=lambda *_: None)

    monkeypatch.setattr("pipeline.refresh.refresh.executor_over", tables_only)


@contextmanager
def shared_folder(name: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder that all processes of tests have, for this one alone as long as it fills it."""
    of_process = tmp_path_factory.getbasetemp()
    folder = (of_process.parent if "PYTEST_XDIST_WORKER" in os.environ else of_process) / name
    folder.mkdir(exist_ok=True)
    with locked(folder, wait_s=600):
        yield folder


def refreshed_once(inbox: Path, folder: Path) -> Refreshed:
    """An inbox, taken through the line unless another process of tests has done so."""
    ledger = folder / "ledger.parquet"
    if not ledger.exists():
        refresh(read_inbox(inbox), folder / "store", jobs=1).write_parquet(ledger)
    return Refreshed(folder / "store", pl.read_parquet(ledger))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Refreshed:
    """The demo club, taken through the line. Only to be read."""
    with shared_folder("demo", tmp_path_factory) as folder:
        return refreshed_once(CLUB, folder)


@pytest.fixture(scope="session")
def demo_store(demo: Refreshed) -> Path:
    """The store of the demo club. Only to be read."""
    return demo.store


@pytest.fixture(scope="session")
def small_club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The inbox of two athletes of the demo club, for tests that refresh it again. Only to be read."""
    ignored = [path.name for path in CLUB.iterdir() if path.is_dir() and path.name not in ("brine", "pip")]
    with shared_folder("small", tmp_path_factory) as folder:
        if not (folder / "inbox").exists():
            shutil.copytree(CLUB, folder / "inbox", ignore=shutil.ignore_patterns(*ignored))
    return folder / "inbox"


@pytest.fixture(scope="session")
def small(small_club: Path, tmp_path_factory: pytest.TempPathFactory) -> Refreshed:
    """That club, taken through the line. Only to be read."""
    with shared_folder("small", tmp_path_factory) as folder:
        return refreshed_once(small_club, folder)


@pytest.fixture
def own_store(demo: Refreshed, tmp_path: Path) -> Path:
    """A store like the demo club's, to be asked: what is asked of a store is noted in it."""
    store = tmp_path / "own store"
    shutil.copytree(demo.store, store, symlinks=True, copy_function=os.link)
    return store


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for the tests of a file."""
    from tests.support.browser import launched  # noqa: PLC0415 -- few processes of tests open one

    with launched() as one:
        yield one


@pytest.fixture
def no_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands read files in this process, even where the machine has a Prefect API configured.

    Workers cost a second each; that commands get on with them is tested where they run in processes of their own.
    """
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.setattr("pipeline.workers.pool.workers", lambda *_items, **_limits: nullcontext(here))


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

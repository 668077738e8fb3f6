"""The Prefect flow and the in-process line: one order of stages, the same tables."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from polars.testing import assert_frame_equal

from pipeline.core.resources import shipped
from pipeline.inbox.inbox import Inbox, read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import published
from pipeline.store.layout import read_table
from pipeline.tables import TABLES
from pipeline.workers.pool import here
from tests.support.added_stages import add_stages, assert_ran_in_order, note_calls
from tests.support.bad_files import BadFiles
from tests.support.worker_deeds import running


@pytest.fixture(scope="module", autouse=True)
def prefect_server() -> Iterator[None]:
    """A Prefect server for the flows of this file: they start none."""
    from prefect.testing.utilities import prefect_test_harness  # noqa: PLC0415

    import flows  # noqa: F401, PLC0415 - sets the environment that Prefect reads

    with warnings.catch_warnings(action="ignore"), prefect_test_harness(server_startup_timeout=120):
        yield


SERVERLESS = {
    "the command": (
        ["-m", "pipeline", "refresh", "--flow", "--inbox", str(shipped("data/club")), "--store", "absent"],
        "--flow takes a Prefect server, and PREFECT_API_URL names none. Without --flow no server is needed.\n",
    ),
    "a night as a flow": (
        ["-c", "from flows.nightly import nightly; nightly('absent', 'absent')"],
        "No Prefect API URL provided. Please set PREFECT_API_URL to the address of a running Prefect server.\n",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("started", SERVERLESS)
def test_without_a_server_that_is_named_a_flow_starts_none_and_says_what_it_takes(tmp_path: Path, started: str) -> None:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT")}
    environment |= {"PREFECT_HOME": str(tmp_path / "prefect"), "PYTHONPATH": str(Path(__file__).parents[2])}
    words, said = SERVERLESS[started]
    told = subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, check=False, env=environment, cwd=tmp_path
    )
    assert told.returncode in (1, 2)
    assert told.stderr.endswith(said), told.stderr


@pytest.fixture(scope="module")
def quill() -> Inbox:
    """The files of one athlete of the demo club."""
    found = read_inbox(shipped("data/club"))
    return replace(found, files=tuple(file for file in found.files if file.athlete_id == "quill"))


@pytest.mark.depth
@pytest.mark.filterwarnings("default")  # Prefect's own dependencies warn of things to come
def test_the_flow_gives_the_same_tables_as_the_line_in_process(tmp_path: Path, quill: Inbox) -> None:
    from flows.refresh import refresh_with_prefect  # noqa: PLC0415 - it reads the environment when imported

    seen = list[tuple[int, int]]()
    refresh_with_prefect(quill, tmp_path / "by-flow", progress=lambda done, total: seen.append((done, total)))
    refresh(quill, tmp_path / "in-process", jobs=1)
    for table in TABLES:
        assert_frame_equal(read_table(tmp_path / "by-flow", table), read_table(tmp_path / "in-process", table))
    assert seen[-1] == (len(quill.files), len(quill.files))


@pytest.mark.depth
@pytest.mark.filterwarnings("default")
def test_the_flow_draws_a_large_club_by_squad(
    tmp_path: Path, small_club: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows.refresh import refresh_with_prefect  # noqa: PLC0415

    monkeypatch.setattr("pipeline.pages.squads.MOST_ATHLETES", 1)
    refresh_with_prefect(read_inbox(small_club), tmp_path / "by-flow")
    refresh(read_inbox(small_club), tmp_path / "in-process", jobs=1)
    by_flow, in_process = (
        {path.relative_to(pages): path.read_bytes() for path in pages.rglob("*.html")}
        for pages in (published(tmp_path / store) / "pages" for store in ("by-flow", "in-process"))
    )
    assert Path("squads/harbour.html") in by_flow
    assert by_flow == in_process


@pytest.mark.filterwarnings("default")
def test_a_batch_of_squads_weighs_what_their_athletes_do(monkeypatch: pytest.MonkeyPatch) -> None:
    import flows.refresh as flow  # noqa: PLC0415

    sizes: list[int] = []

    def drawn(*given: Any) -> SimpleNamespace:
        sizes.extend(len(batch.content) for batch in given[-1])
        return SimpleNamespace(result=list)

    written = SimpleNamespace(map=lambda *_: SimpleNamespace(result=list))
    monkeypatch.setattr(flow, "pages", SimpleNamespace(map=drawn))
    monkeypatch.setattr(flow, "outputs", written)
    monkeypatch.setattr(flow, "draw_over", lambda over, *given: over(print, *given, weight=len))
    squads = ["a" * 100, "b" * 100, "c" * 4, "d" * 4]
    flow._write_outputs(1, SimpleNamespace(outputs=()), "shared", squads)  # type: ignore[arg-type]
    assert sizes == [1, 1, 2]


@pytest.mark.depth
@pytest.mark.filterwarnings("default")
def test_files_that_hang_crash_or_eat_memory_cost_the_flow_themselves_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows.refresh import refresh_with_prefect  # noqa: PLC0415

    files, before = BadFiles(tmp_path), running()
    for name, value in files.environment.items():
        monkeypatch.setenv(name, value)
    refresh_with_prefect(read_inbox(files.inbox), tmp_path / "store", jobs=2)
    files.assert_cost_themselves_only(tmp_path / "store")
    assert running() == before


def seen_by_prefect(given: object) -> list[object]:
    """What Prefect comes upon, looking through what a task is given."""
    from prefect.utilities.collections import visit_collection  # noqa: PLC0415

    seen: list[object] = []
    visit_collection(given, seen.append, return_data=False)
    return seen


@pytest.mark.filterwarnings("default")
def test_prefect_does_not_look_into_what_a_task_is_given() -> None:
    from flows.refresh import Sealed  # noqa: PLC0415

    assert "inside" in seen_by_prefect(["inside"])
    sealed = Sealed(["inside"])
    assert seen_by_prefect(sealed) == [sealed]


@pytest.mark.filterwarnings("default")
def test_what_the_flow_is_given_does_not_travel_with_its_tasks(tmp_path: Path) -> None:
    from flows.refresh import Given  # noqa: PLC0415

    found = read_inbox(shipped("data/club"))
    assert len(pickle.dumps(found)) > 10_000
    given = Given(found, tmp_path, jobs=1, wait_s=0.0, progress=None)
    assert len(pickle.dumps(given)) < 100


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_the_flow_runs_the_stages_in_the_order_of_the_registry_and_added_ones_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quill: Inbox
) -> None:
    from flows import refresh as by_flow  # noqa: PLC0415

    @contextmanager
    def here_instead(_loads: str) -> Iterator[object]:
        yield here  # a lent worker would not tell what it called

    monkeypatch.setattr(by_flow, "lent_worker", here_instead)
    add_stages(monkeypatch)
    calls = note_calls(monkeypatch)
    by_flow.refresh_with_prefect(quill, tmp_path / "by-flow", jobs=1)
    assert_ran_in_order(calls)
    refresh(quill, tmp_path / "in-process", jobs=1)
    for table in {*TABLES, "evenness", "steadiest"}:
        assert_frame_equal(read_table(tmp_path / "by-flow", table), read_table(tmp_path / "in-process", table))
    assert read_table(tmp_path / "by-flow", "evenness").height == 1
    assert read_table(tmp_path / "by-flow", "steadiest").height == 1


@pytest.mark.filterwarnings("default")
def test_a_task_is_named_for_the_first_of_its_stages() -> None:
    from flows import refresh as by_flow  # noqa: PLC0415

    of_athletes = [by_flow.athletes, by_flow.athletes_of_runs, by_flow.athletes_after_club]
    tasks = [by_flow.recording, by_flow.samples, by_flow.splits, *of_athletes, by_flow.club]
    assert [task.name for task in tasks] == [
        "recording", "samples", "splits", "pacing", "responses", "drift", "corrections",
    ]  # fmt: skip

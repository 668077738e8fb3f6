"""Whatever happens during a refresh, readers find the old state or the new one, and the next refresh finishes.

Programs are really killed, disks really full, permissions really missing; where a system does not allow that, the test
is skipped and says so.
"""

from __future__ import annotations

import io
import math
import os
import pkgutil
import resource
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

import duckdb
import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.core.errors import LockLost, NothingDone
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.damage import check_store
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import building, generations, link_tree, published
from pipeline.store.layout import read_table
from pipeline.store.lock import locked
from pipeline.store.parquet import Provenance, write_table
from tests.support.nights import Killed, Nights, drifting_run, leave_hollow
from tests.support.privileges import no_privilege

pytestmark = pytest.mark.slow
depth = pytest.mark.depth

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """Two athletes, with as many states as are kept, and a run that came in since; see `club`."""
    nights = Nights(tmp_path_factory.mktemp("unbroken") / "club")
    nights.put("settings.toml", 'keep_generations = 2\npages = "none"\n')  # tests of pages draw them
    put_runs(nights, range(2))
    for day in (2, 3):
        refresh(read_inbox(nights.inbox), nights.store, jobs=1)
        nights.put(f"a/{day}.fit", run_of(day, seed=day))
    return nights.remember()


def run_of(day: int, *, seed: int) -> bytes:
    """Without contact time, so that there are few metrics to estimate."""
    return drifting_run(day, seed=seed, contact_time_ms=np.nan)


def put_runs(club: Nights, days: range) -> None:
    for place, name in enumerate("ab"):
        for day in days:
            club.put(f"{name}/{day}.fit", run_of(day, seed=100 * place + day))


@pytest.fixture
def club(refreshed_club: Nights) -> Nights:
    """That club, to be harmed."""
    return refreshed_club.restored()


def command(club: Nights, *words: str) -> list[str]:
    return ["refresh", "--inbox", str(club.inbox), "--store", str(club.store), "--jobs", "1", *words]


def run(club: Nights) -> Result:
    """The command, in this process with its limits and permissions: its worker would have others."""
    return CliRunner().invoke(main, command(club))


def tables_of(store: Path) -> dict[str, bytes]:
    """The files of the tables by path: the same rows are the same bytes."""
    folder = published(store) / "tables"
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*.parquet"))}


def assert_tables(store: Path, expected: dict[str, bytes]) -> None:
    found = tables_of(store)
    assert list(found) == list(expected)
    assert [name for name, content in found.items() if content != expected[name]] == []


def assert_finishes(club: Nights) -> None:
    """A refresh now ends well, and the tables are those of one into a new store."""
    refresh(read_inbox(club.inbox), club.store, jobs=1)
    assert_tables(club.store, expected_after(club))
    assert len(list((club.store / "generations").iterdir())) <= 5, "nothing half done is left"


# --- kill -9 ---------------------------------------------------------------------------------------------------------


#: What puts a file or a folder where a reader or the next refresh may find it, or takes it away.
CHANGES = ("os.link", "os.mkdir", "os.remove", "os.replace", "os.rmdir", "os.symlink", "os.truncate", "os.unlink")


def killed() -> NoReturn:
    """As with kill -9, in a process that goes on."""
    raise Killed


@contextmanager
def dying_after(n_changes: float, die: Callable[[], NoReturn] = killed) -> Iterator[list[str]]:
    """After so many changes on the disk there is no other, not even by what would tidy up."""
    changes: list[str] = []

    def counted(name: str, change: Callable[..., Any]) -> Callable[..., Any]:
        def changed(*arguments: Any, **more: Any) -> Any:
            if len(changes) >= n_changes:
                die()
            changes.append(name)
            return change(*arguments, **more)

        return changed

    def opened(file: Any, mode: str = "r", *arguments: Any, **more: Any) -> Any:
        return (counted("open", opens) if set(mode) & set("wax+") else opens)(file, mode, *arguments, **more)

    opens = io.open
    with pytest.MonkeyPatch.context() as patched:
        for name in CHANGES:
            patched.setattr(name, counted(name, pkgutil.resolve_name(name)))
        patched.setattr("io.open", opened)
        yield changes


@pytest.mark.parametrize("n_kills", [3, pytest.param(25, marks=depth)])
def test_killed_after_any_change_on_the_disk_a_refresh_leaves_a_whole_state_and_the_next_one_finishes(
    refreshed_club: Nights, monkeypatch: pytest.MonkeyPatch, n_kills: int
):
    leave_hollow(monkeypatch)
    club = refreshed_club.restored()
    before = tables_of(club.store)
    with dying_after(math.inf) as changes:
        refresh(read_inbox(club.inbox), club.store, jobs=1)
    after = tables_of(club.store)
    assert {"open", "os.link", "os.mkdir", "os.replace", "os.symlink", "os.unlink"} <= set(changes)
    n_published = 0
    for n_changes in np.linspace(1, len(changes) - 1, n_kills).astype(int):
        club = refreshed_club.restored()
        with pytest.raises(Killed), dying_after(n_changes):
            refresh(read_inbox(club.inbox), club.store, jobs=1)
        is_published = len(tables_of(club.store)) > len(before)
        n_published += is_published
        assert_tables(club.store, after if is_published else before)
        refresh(read_inbox(club.inbox), club.store, jobs=1)
        assert_tables(club.store, after)
        assert len(list((club.store / "generations").iterdir())) == 2, f"something is left of a kill at {n_changes}"
    assert 0 < n_published < n_kills


#: What `expected_after` found, by the names and contents of the inbox: many tests end with the same.
UNDISTURBED: dict[frozenset[tuple[str, bytes]], dict[str, bytes]] = {}


def expected_after(club: Nights) -> dict[str, bytes]:
    """The tables of the present inbox, undisturbed."""
    files = [path for path in club.inbox.rglob("*") if path.is_file()]
    inbox = frozenset((path.relative_to(club.inbox).as_posix(), path.read_bytes()) for path in files)
    if inbox not in UNDISTURBED:
        store = club.root / "undisturbed"
        refresh(read_inbox(club.inbox), store, jobs=1)
        UNDISTURBED[inbox] = tables_of(store)
        shutil.rmtree(store)
    return UNDISTURBED[inbox]


#: Steps that another library takes, or after which the state counts, with a real kill.
DEADLY = [
    "pipeline.store.generations.point_to",
    *(
        pytest.param(f"pipeline.{step}", marks=depth)
        for step in ("refresh.club.write_database", "refresh.refresh.write_known", "store.generations._remove")
    ),
]
DIES = """
import os, signal, sys, pkgutil
from pathlib import Path
from pipeline.inbox.inbox import read_inbox
from pipeline.store.parquet import Provenance, write_table
from pipeline.refresh.refresh import refresh
import pipeline.refresh.club
where, inbox, store = sys.argv[1:]
owner, _, name = where.rpartition(".")
setattr(pkgutil.resolve_name(owner), name, lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL))
refresh(read_inbox(Path(inbox)), Path(store), jobs=1)
"""


@pytest.mark.parametrize("where", DEADLY)
def test_kill_9_right_before_a_step_that_counts_leaves_a_whole_state(club: Nights, where: str):
    before = read_table(club.store, "runs")
    died = subprocess.run(
        [sys.executable, "-c", DIES, where, str(club.inbox), str(club.store)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert died.returncode == -signal.SIGKILL, died.stderr
    assert published(club.store) in generations(club.store), "what is pointed to is marked as whole"
    runs = read_table(club.store, "runs")
    assert runs.height in (before.height, before.height + 1)
    assert set(read_table(club.store, "splits")["run_id"]) == set(runs["run_id"])
    assert_finishes(club)


def test_a_table_written_over_one_that_two_states_share_leaves_the_older_as_it_was(club: Nights):
    older = published(club.store)
    before, rows = (older / "tables/runs/runs.parquet").read_bytes(), read_table(club.store, "runs")
    with building(club.store, keep=5) as built:
        link_tree(older, built, Path())
        write_table(built / "tables/runs/runs.parquet", "runs", rows.head(1), Provenance("", "", ""))
    assert read_table(club.store, "runs").height == 1
    assert (older / "tables/runs/runs.parquet").read_bytes() == before


# --- Two at once -----------------------------------------------------------------------------------------------------


def test_a_refresh_of_a_store_that_another_process_changes_says_who_and_how_to_wait(club: Nights):
    with locked(club.store):
        told = run(club)
    assert told.exit_code == 1
    assert f"is being changed by process {os.getpid()} on" in told.stderr
    assert "--wait SECONDS" in told.stderr


def test_of_two_refreshes_at_once_the_one_that_may_wait_succeeds_too(club: Nights):
    words = [sys.executable, "-m", "pipeline", *command(club, "--wait", "60")]
    pair = [subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL) for _ in range(2)]
    assert [one.wait(timeout=120) for one in pair] == [0, 0]
    assert_tables(club.store, expected_after(club))


def test_a_refresh_whose_store_was_removed_leaves_what_another_made_there_since(club: Nights):
    def removed_and_made_anew(*_: object) -> None:
        shutil.rmtree(club.store)
        club.put("a/4.fit", run_of(4, seed=4))
        refresh(read_inbox(club.inbox), club.store, jobs=1)

    shutil.rmtree(club.store)
    with pytest.raises(LockLost, match="was removed, and another process may have taken it"):
        club.refresh(changed={"write_outputs": removed_and_made_anew})
    assert_tables(club.store, expected_after(club))
    assert check_store(club.store).faults == {}


# --- Readers ---------------------------------------------------------------------------------------------------------


def by_duckdb(store: Path) -> tuple[int, int]:
    with duckdb.connect(str(store / "splitdrift.duckdb"), read_only=True) as database:
        runs, splits, samples = database.execute(
            "SELECT (SELECT count(*) FROM runs), (SELECT count(DISTINCT run_id) FROM splits), "
            "(SELECT count(DISTINCT run_id) FROM samples)"
        ).fetchall()[0]
    assert samples == runs
    return runs, splits


def by_polars(store: Path) -> tuple[int, int]:
    folder = published(store)
    return read_table(folder, "runs").height, read_table(folder, "splits")["run_id"].n_unique()


def by_plain_parquet(store: Path) -> tuple[int, int]:
    # Libraries open a file by its name twice, for its end and for its pages: the links have to be followed first.
    n_runs = pl.read_parquet((store / "tables" / "runs" / "runs.parquet").resolve()).height
    return n_runs, n_runs


@pytest.mark.parametrize("n_refreshes", [2, pytest.param(8, marks=depth)])
def test_who_reads_during_many_refreshes_never_sees_a_missing_or_a_mixed_state(tmp_path: Path, n_refreshes: int):
    club = Nights(tmp_path)
    club.put("settings.toml", 'pages = "none"\n')
    put_runs(club, range(2))
    refresh(read_inbox(club.inbox), club.store, jobs=1)
    seen: dict[str, set[Any]] = {}
    ended = threading.Event()

    def read_on(reader: Callable[[Path], tuple[int, int]]) -> None:
        found = seen.setdefault(reader.__name__, set())
        while not ended.is_set():
            try:
                found.add(reader(club.store))
            except Exception as error:
                found.add(f"{type(error).__name__}: {error}")
            ended.wait(0.1)

    readers = [threading.Thread(target=read_on, args=(one,)) for one in (by_duckdb, by_polars, by_plain_parquet)]
    for one in readers:
        one.start()
    try:
        for turn in range(n_refreshes):
            if turn % 2 == 0:
                put_runs(club, range(2, 3))
            else:
                for name in "ab":
                    (club.inbox / name / "2.fit").unlink()
            refresh(read_inbox(club.inbox), club.store, jobs=1)
    finally:
        ended.set()
        for one in readers:
            one.join()
    assert seen == {name: {(4, 4), (6, 6)} for name in ("by_duckdb", "by_polars", "by_plain_parquet")}


# --- A disk that is full ---------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of a few megabytes."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if shutil.which("mount") is None or shutil.which("umount") is None:
        pytest.skip("there is no mount")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"nothing may be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.usefixtures("no_workers")
@pytest.mark.parametrize("room_kb", [4, pytest.param(500, marks=depth)])
def test_a_full_disk_leaves_the_store_as_it_was_says_so_and_with_room_the_next_refresh_finishes(
    club: Nights, small_disk: Path, room_kb: int
):
    before = tables_of(club.store)
    on_disk = small_disk / "store"
    shutil.copytree(club.store, on_disk, symlinks=True)
    shutil.rmtree(club.store)
    club.store.symlink_to(on_disk)
    ballast = small_disk / "ballast"
    with ballast.open("wb") as file:
        free = shutil.disk_usage(small_disk).free
        file.write(bytes(max(free - room_kb * 1024, 0)))
    done = run(club)
    assert done.exit_code == 1, done.stdout
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert_tables(club.store, before)
    assert sorted(one.name for one in (on_disk / "generations").iterdir()) == ["000001", "000002"]
    ballast.unlink()
    assert_finishes(club)


@pytest.mark.usefixtures("no_workers")
@pytest.mark.parametrize("most_kb", [pytest.param(1, marks=depth), 64, pytest.param(128, marks=depth)])
def test_files_that_may_not_grow_any_more_leave_the_store_as_it_was(club: Nights, most_kb: int):
    # Another limit of the system, which needs no mount: "File too large" instead of "No space left".
    before, (soft, hard) = tables_of(club.store), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_kb * 1024, hard))
    try:
        done = run(club)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert done.exit_code == 1, done.stdout
    assert "too large" in done.stderr
    assert "Traceback" not in done.stderr
    assert_tables(club.store, before)
    assert_finishes(club)


# --- Places that are closed or gone ----------------------------------------------------------------------------------


@pytest.mark.usefixtures("no_workers")
@pytest.mark.parametrize(
    "closed", [pytest.param("", marks=depth), "generations", pytest.param(".lock", marks=depth), "history.jsonl"]
)
def test_a_store_that_may_not_be_written_is_said_to_be_so_and_stays(club: Nights, closed: str):
    before = tables_of(club.store)
    place = club.store / closed
    mode = place.stat().st_mode
    place.chmod(mode & 0o555)
    with no_privilege():
        done = run(club)
    place.chmod(mode)
    assert done.exit_code == 1, done.stdout
    assert f"Permission denied: {place}" in done.stderr, done.stderr
    assert "Traceback" not in done.stderr
    if closed != "history.jsonl":  # there the new state is published before its line is refused
        assert_tables(club.store, before)
    assert_finishes(club)


@pytest.mark.usefixtures("no_workers")
def test_an_inbox_that_may_only_be_read_is_enough(club: Nights):
    for path in [club.inbox, *club.inbox.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    listed = sorted((path, path.stat().st_mtime_ns) for path in [club.inbox, *club.inbox.rglob("*")])
    with no_privilege():
        done = run(club)
    assert done.exit_code == 0, done.stderr
    assert sorted((path, path.stat().st_mtime_ns) for path in [club.inbox, *club.inbox.rglob("*")]) == listed
    assert_tables(club.store, expected_after(club))
    for path in [club.inbox, *(one for one in club.inbox.iterdir())]:
        path.chmod(0o755)


@pytest.mark.parametrize("how", [pytest.param("its folder is gone", marks=depth), "its disk is empty"])
def test_an_inbox_that_vanishes_during_a_refresh_costs_no_run(club: Nights, monkeypatch: pytest.MonkeyPatch, how: str):
    before, away = tables_of(club.store), club.root / "away"
    club.put("settings.toml", 'split_length_m = 500\npages = "none"\n')
    inbox = read_inbox(club.inbox)
    reads = iter(range(1000))
    whole = Path.read_bytes

    def vanishes(path: Path) -> bytes:
        if path.suffix == ".fit" and next(reads) == 3:
            club.inbox.rename(away)
            if how == "its disk is empty":
                club.inbox.mkdir()
        return whole(path)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "read_bytes", vanishes)
        with pytest.raises(NothingDone, match=r"The inbox .* vanished while it was being read\."):
            refresh(inbox, club.store, jobs=1)
    assert_tables(club.store, before)
    shutil.rmtree(club.inbox, ignore_errors=True)
    away.rename(club.inbox)
    assert_finishes(club)

"""Whatever happens during a refresh, readers find the old state or the new one, and the next refresh finishes.

Programs are really killed, disks really full, permissions really missing; where a system does not allow that, the test
is skipped and says so.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.core.errors import NothingDone
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import building, generations, link_tree, published
from pipeline.store.layout import read_table
from pipeline.store.parquet import Provenance, write_table
from pipeline.tables import TABLES
from tests.support.nights import Nights, drifting_run

pytestmark = pytest.mark.slow
depth, long = pytest.mark.depth, pytest.mark.long

ROOT = Path(__file__).parents[2]


def put_runs(club: Nights, athletes: str, days: range) -> None:
    for place, name in enumerate(athletes):
        for day in days:
            club.put(f"{name}/{day}.fit", drifting_run(day, seed=100 * place + day))


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """Four athletes with three runs each, refreshed, and a fourth run of each that came in since; see `club`."""
    nights = Nights(tmp_path_factory.mktemp("unbroken") / "club")
    nights.put("settings.toml", 'pages = "none"\n')  # tests of pages draw them
    put_runs(nights, "abcd", range(3))
    refresh(read_inbox(nights.inbox), nights.store, jobs=1)
    put_runs(nights, "abcd", range(3, 4))
    return nights.remember()


@pytest.fixture
def club(refreshed_club: Nights) -> Nights:
    """That club, to be harmed."""
    return refreshed_club.restored()


def command(club: Nights, *words: str, before: tuple[str, ...] = ()) -> list[str]:
    places = ["--inbox", str(club.inbox), "--store", str(club.store), "--jobs", "1"]
    return [*before, sys.executable, "-m", "pipeline", "refresh", *places, *words]


def run(
    club: Nights, *words: str, before: tuple[str, ...] = (), first: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(club, *words, before=before),
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120, preexec_fn=first,
    )  # fmt: skip


def tables_of(store: Path) -> dict[str, pl.DataFrame]:
    return {name: read_table(store, name) for name in TABLES}


def assert_tables(store: Path, expected: dict[str, pl.DataFrame]) -> None:
    for name, rows in tables_of(store).items():
        assert rows.equals(expected[name]), f"{name} has other rows: {rows.height} for {expected[name].height}"


def assert_finishes(club: Nights) -> None:
    """A refresh now ends well, and the tables are those of one into a new store."""
    refresh(read_inbox(club.inbox), club.store, jobs=1)
    assert_tables(club.store, expected_after(club))
    assert len(list((club.store / "generations").iterdir())) <= 5, "nothing half done is left"


# --- kill -9 ---------------------------------------------------------------------------------------------------------


def kill_group_after(club: Nights, seconds: float) -> bool:
    """Start a refresh and kill it with all it started; whether it was still under way."""
    process = subprocess.Popen(
        command(club), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    time.sleep(seconds)
    was_alive = process.poll() is None
    if was_alive:
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    return was_alive


@pytest.mark.parametrize("n_kills", [1, pytest.param(3, marks=depth), pytest.param(30, marks=long)])
def test_kill_9_at_any_instant_leaves_the_old_state_readable_and_the_next_refresh_finishes(club: Nights, n_kills: int):
    before = tables_of(club.store)
    timed = Nights(club.root / "timed")
    shutil.copytree(club.root, timed.root, symlinks=True, ignore=shutil.ignore_patterns("timed"))
    began = time.monotonic()
    assert run(timed).returncode == 0
    lasts_s = time.monotonic() - began
    after = tables_of(timed.store)
    # In strata, so that a single one is in the middle; a machine that is suddenly faster misses the late ones only.
    instants = (np.arange(n_kills) + np.random.default_rng(9).uniform(0.2, 0.8, n_kills)) / n_kills * 0.9 * lasts_s
    n_killed = n_published = 0
    for instant in instants:
        n_killed += kill_group_after(club, float(instant))
        now = read_table(club.store, "runs").height
        assert now in (before["runs"].height, after["runs"].height)
        assert_tables(club.store, before if now == before["runs"].height else after)
        if now == after["runs"].height:  # it came to its end, or nearly: start again
            n_published += 1
            assert_finishes(club)
            put_runs(club, "abcd", range(3 + n_published, 4 + n_published))
            before, after = after, expected_after(club)
    assert n_killed >= n_kills / 2, f"only {n_killed} of {n_kills} were killed in time"
    assert_finishes(club)
    assert_tables(club.store, after)


#: What `expected_after` found, by the names and contents of the inbox: many tests end with the same.
UNDISTURBED: dict[frozenset[tuple[str, bytes]], dict[str, pl.DataFrame]] = {}


def expected_after(club: Nights) -> dict[str, pl.DataFrame]:
    """The tables of the present inbox, undisturbed."""
    files = [path for path in club.inbox.rglob("*") if path.is_file()]
    inbox = frozenset((path.relative_to(club.inbox).as_posix(), path.read_bytes()) for path in files)
    if inbox not in UNDISTURBED:
        store = club.root / "undisturbed"
        refresh(read_inbox(club.inbox), store, jobs=1)
        UNDISTURBED[inbox] = tables_of(store)
        shutil.rmtree(store)
    return UNDISTURBED[inbox]


#: Every place where a refresh changes what a reader or the next refresh might see.
DEADLY = [
    ("pipeline.refresh.club.write_database", "before"),
    ("pipeline.store.generations.point_to", "before"),
    *(
        pytest.param(*place, marks=depth)
        for place in [
            ("os.link", "after"),
            ("os.replace", "after"),
            ("pipeline.refresh.refresh.write_known", "before"),
            ("pipeline.refresh.refresh.write_record", "before"),
            ("pathlib.Path.symlink_to", "after"),
            ("os.replace", "before"),
            ("pathlib.Path.unlink", "after"),
            ("pipeline.store.generations._remove", "before"),
            ("pipeline.refresh.refresh.catch_up", "before"),
        ]
    ),
]
DIES = """
import os, signal, sys, pkgutil
from pathlib import Path
from pipeline.inbox.inbox import read_inbox
from pipeline.store.parquet import Provenance, write_table
from pipeline.refresh.refresh import refresh
import pipeline.refresh.club
where, after, inbox, store = sys.argv[1:]
owner, _, name = where.rpartition(".")
owner, kind = pkgutil.resolve_name(owner), getattr(pkgutil.resolve_name(owner), name)
def dies(*arguments, **more):
    if after == "after":
        kind(*arguments, **more)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(owner, name, dies)
refresh(read_inbox(Path(inbox)), Path(store), jobs=1)
"""


@pytest.fixture(scope="module")
def twice_refreshed(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """A small club with as many states as are kept, and a run that came in since."""
    club = Nights(tmp_path_factory.mktemp("twice") / "club")
    put_runs(club, "ab", range(2))
    club.put("settings.toml", 'keep_generations = 2\npages = "none"\n')
    for day in (2, 3):
        refresh(read_inbox(club.inbox), club.store, jobs=1)
        club.put(f"a/{day}.fit", drifting_run(day, seed=day))
    return club.remember()


@pytest.mark.parametrize(("where", "when"), DEADLY)
def test_kill_9_right_before_or_after_a_step_that_counts_leaves_a_whole_state(
    twice_refreshed: Nights, where: str, when: str
):
    club = twice_refreshed.restored()
    before = read_table(club.store, "runs")
    words = [sys.executable, "-c", DIES, where, when, str(club.inbox), str(club.store)]
    died = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False, timeout=120)
    assert died.returncode == -signal.SIGKILL, died.stderr
    assert published(club.store) in generations(club.store), "what is pointed to is marked as whole"
    runs = read_table(club.store, "runs")
    assert runs.height in (before.height, before.height + 1)
    assert set(read_table(club.store, "splits")["run_id"]) == set(runs["run_id"])
    refresh(read_inbox(club.inbox), club.store, jobs=1)
    assert_tables(club.store, expected_after(club))


def test_a_table_written_over_one_that_two_states_share_leaves_the_older_as_it_was(club: Nights):
    older = published(club.store)
    before, rows = (older / "tables/runs/runs.parquet").read_bytes(), read_table(club.store, "runs")
    with building(club.store, keep=5) as built:
        link_tree(older, built, Path())
        write_table(built / "tables/runs/runs.parquet", "runs", rows.head(1), Provenance("", "", ""))
    assert read_table(club.store, "runs").height == 1
    assert (older / "tables/runs/runs.parquet").read_bytes() == before


# --- Two at once -----------------------------------------------------------------------------------------------------


def at_once(club: Nights, *words: str) -> list[tuple[int, str]]:
    """Exit codes and what was said, of two refreshes started together, the one that succeeded first."""
    pair = [
        subprocess.Popen(command(club, *words), cwd=ROOT, text=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    said = [one.communicate(timeout=120)[1] for one in pair]
    return sorted(zip((one.returncode for one in pair), said, strict=True))


def test_of_two_refreshes_at_once_one_does_it_and_the_other_says_who_holds_the_store(club: Nights):
    (code, said), (other_code, other_said) = at_once(club)
    if other_code == 0:
        pytest.skip("the first had ended before the second came to the lock")
    assert (code, other_code) == (0, 1), (said, other_said)
    assert "is being changed by process" in other_said
    assert "--wait SECONDS" in other_said
    assert "Traceback" not in other_said
    assert_tables(club.store, expected_after(club))


def test_of_two_refreshes_at_once_the_one_that_may_wait_succeeds_too(club: Nights):
    assert [code for code, _ in at_once(club, "--wait", "60")] == [0, 0]
    assert_tables(club.store, expected_after(club))


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


@pytest.mark.parametrize("n_refreshes", [2, pytest.param(20, marks=long)])
def test_who_reads_during_many_refreshes_never_sees_a_missing_or_a_mixed_state(tmp_path: Path, n_refreshes: int):
    club = Nights(tmp_path)
    put_runs(club, "ab", range(2))
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
            ended.wait(0.02)

    readers = [threading.Thread(target=read_on, args=(one,)) for one in (by_duckdb, by_polars, by_plain_parquet)]
    for one in readers:
        one.start()
    try:
        for turn in range(n_refreshes):
            if turn % 2 == 0:
                put_runs(club, "ab", range(2, 3))
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
    assert done.returncode == 1, done.stdout
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert_tables(club.store, before)
    assert [one.name for one in (on_disk / "generations").iterdir()] == ["000001"]
    ballast.unlink()
    assert_finishes(club)


@pytest.mark.parametrize("most_kb", [pytest.param(1, marks=depth), 64, pytest.param(128, marks=depth)])
def test_files_that_may_not_grow_any_more_leave_the_store_as_it_was(club: Nights, most_kb: int):
    # Another limit of the system, which needs no mount: "File too large" instead of "No space left".
    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_kb * 1024, most_kb * 1024))

    before = tables_of(club.store)
    done = run(club, first=limit)
    assert done.returncode == 1, done.stdout
    assert "too large" in done.stderr
    assert "Traceback" not in done.stderr
    assert_tables(club.store, before)
    assert_finishes(club)


# --- Places that are closed or gone ----------------------------------------------------------------------------------


@pytest.fixture
def unprivileged() -> tuple[str, ...]:
    """What goes before a command so that permissions hold for it."""
    if os.geteuid() != 0:
        return ()
    if shutil.which("setpriv") is None:
        pytest.skip("the super-user may write everywhere, and there is no setpriv to renounce that")
    words = ("setpriv", "--bounding-set=-dac_override,-dac_read_search,-fowner")
    if subprocess.run([*words, "true"], check=False, capture_output=True).returncode != 0:
        pytest.skip("the super-user may write everywhere and cannot renounce that here")
    return words


@pytest.mark.parametrize(
    "closed", [pytest.param("", marks=depth), "generations", pytest.param(".lock", marks=depth), "history.jsonl"]
)
def test_a_store_that_may_not_be_written_is_said_to_be_so_and_stays(
    club: Nights, unprivileged: tuple[str, ...], closed: str
):
    before = tables_of(club.store)
    place = club.store / closed
    mode = place.stat().st_mode
    place.chmod(mode & 0o555)
    done = run(club, before=unprivileged)
    place.chmod(mode)
    assert done.returncode == 1, done.stdout
    assert f"Permission denied: {place}" in done.stderr, done.stderr
    assert "Traceback" not in done.stderr
    if closed != "history.jsonl":  # there the new state is published before its line is refused
        assert_tables(club.store, before)
    assert_finishes(club)


def test_an_inbox_that_may_only_be_read_is_enough(club: Nights, unprivileged: tuple[str, ...]):
    for path in [club.inbox, *club.inbox.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    listed = sorted((path, path.stat().st_mtime_ns) for path in [club.inbox, *club.inbox.rglob("*")])
    done = run(club, before=unprivileged)
    assert done.returncode == 0, done.stderr
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
        if path.suffix == ".fit" and next(reads) == 7:
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

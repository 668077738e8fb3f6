"""Past one machine: a Dask cluster and an object store, both on this one, give the tables that a local run gives."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import duckdb
import pytest
from click.testing import CliRunner
from distributed import Client

from pipeline.__main__ import main
from pipeline.core.errors import Damaged, Held, LockLost, UsageError
from pipeline.core.places import files_below, place, put_if, read_tagged, written_here
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh import WORKER_LOADS
from pipeline.refresh.damage import check_store
from pipeline.refresh.refresh import bring_up_to_date, refresh
from pipeline.refresh.steps import executor_over
from pipeline.store import sections
from pipeline.store.contents import is_note
from pipeline.store.generations import building, current, generations, link_tree, prepare, published
from pipeline.store.lock import locked
from pipeline.workers.cluster import Cluster
from pipeline.workers.lending import end_waiting_workers
from tests.support.bad_files import BadFiles
from tests.support.demo_store import CLUB, Refreshed
from tests.support.nights import Nights, drifting_run
from tests.support.object_store import empty_bucket

#: Files that say when and where a state was made, or that DuckDB lays out anew each time.
OF_THE_MOMENT = {
    "refresh.json",
    "keys.json",
    "unchanged.json",
    "files.parquet",
    "splitdrift.duckdb",
}


def contents(generation: Path) -> dict[str, bytes]:
    return {
        name: path.read_bytes()
        for path in files_below(generation)
        if path.name not in OF_THE_MOMENT and not is_note(name := path.relative_to(generation).as_posix())
    }


def different(one: Path, other: Path) -> list[str]:
    """Names of the files that two states do not have in common to the byte."""
    here, there = contents(one), contents(other)
    assert len(here) > 50
    return sorted(name for name in {*here, *there} if here.get(name) != there.get(name))


# --- An object store -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bucket() -> Iterator[str]:
    """The address of an empty bucket in a server on this machine."""
    with empty_bucket("club", _SERVER):
        yield "s3://club"


_SERVER = """
import sys, threading
from moto.server import ThreadedMotoServer
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
print(server.get_host_and_port()[1], flush=True)
threading.Event().wait()
"""


@pytest.mark.slow
def test_a_club_from_and_to_an_object_store_gives_the_tables_of_a_local_run_and_duckdb_reads_its_samples(
    bucket: str, tmp_path: Path
):
    club, inbox, store = Nights(tmp_path), place(f"{bucket}/club/inbox"), place(f"{bucket}/club/store")
    runs = {f"ari/{day}.fit": drifting_run(day, seed=day, km=3) for day in range(2)}
    for name, content in {**runs, "settings.toml": b'pages = "names"\n'}.items():
        club.put(name, content)
        (inbox / name).write_bytes(content)
    words = ("refresh", "--inbox", str(inbox), "--store", str(store), "--jobs", "1")
    first = CliRunner().invoke(main, words)
    assert first.exit_code == 0, first.stderr
    club.refresh()
    assert different(published(store), published(club.store)) == []

    assert CliRunner().invoke(main, words).exit_code == 0
    assert generations(store) == [current(store)]
    assert "ari" in CliRunner().invoke(main, ["show", "--store", str(store)]).stdout

    # The file is fetched, the samples are read where they lie.
    (tmp_path / "here.duckdb").write_bytes((published(store) / "splitdrift.duckdb").read_bytes())
    asked = "SELECT COUNT(*), MAX(distance_m), (SELECT COUNT(*) FROM splits) FROM samples"
    with (
        duckdb.connect(str(tmp_path / "here.duckdb"), read_only=True) as there,
        duckdb.connect(str(club.store / "splitdrift.duckdb"), read_only=True) as here,
    ):
        found: Any = store
        there.register_filesystem(found.fs)
        assert there.sql(asked).fetchall() == here.sql(asked).fetchall()


@pytest.mark.depth
def test_an_object_that_is_gone_or_another_is_found_and_made_again(bucket: str, tmp_path: Path):
    club, store = Nights(tmp_path), place(f"{bucket}/damaged")
    club.put("settings.toml", 'pages = "none"\n')
    club.put("ari/0.fit", drifting_run(km=3))
    refresh(read_inbox(club.inbox), store, jobs=1)
    before = contents(published(store))
    splits, runs = (files_below(published(store) / "tables" / table)[0] for table in ("splits", "runs"))
    splits.unlink()
    runs.write_bytes(b"another's")
    with pytest.raises(Damaged, match=r"runs\.parquet has another content than .* 1 more file is damaged"):
        refresh(read_inbox(club.inbox), store, jobs=1)
    refresh(read_inbox(club.inbox), store, jobs=1, repairs=True)
    assert check_store(store).faults == {}
    assert contents(published(store)) == before


def numbered(folder: Path) -> list[str]:
    """The files below, without what tells the places of two builders apart."""
    names = [path.relative_to(folder).as_posix() for path in files_below(folder)]
    return [re.sub(r"(\d{6})-[0-9a-f]{8}/", r"\1/", name) for name in names]


def build_half(store: Path) -> None:
    with building(store, keep=2) as built:
        (built / "tables" / "word.txt").write_text("half")
        raise RuntimeError("half way")


def write_half(folder: Path) -> None:
    with written_here(folder) as here:
        (here / "a.txt").write_text("a")
        raise RuntimeError("half way")


def test_a_state_that_breaks_half_way_is_not_seen_and_leaves_nothing(bucket: str):
    store = place(f"{bucket}/half")
    prepare(store)
    with building(store, keep=2) as built:
        (built / "tables" / "word.txt").write_text("first")
    with pytest.raises(RuntimeError, match="half way"):
        build_half(store)
    assert (published(store) / "tables" / "word.txt").read_text() == "first"
    files = ("contents.json", "tables/word.txt", "whole")
    assert numbered(store) == ["current", *(f"generations/000001/{name}" for name in files)]


def test_what_a_dead_process_left_is_removed_and_the_oldest_states_make_room(bucket: str):
    store = place(f"{bucket}/room")
    prepare(store)
    for word in ("first", "second", "third"):
        (store / "generations" / "left" / "left.txt").write_text("by a dead one")
        with building(store, keep=2) as built:
            (built / "word.txt").write_text(word)
            if before := current(store):
                link_tree(before, built, Path("old"))
    assert numbered(store / "generations") == [
        f"{number}/{name}" for number in ("000002", "000003") for name in ("contents.json", "whole", "word.txt")
    ]


def test_a_state_may_take_everything_of_the_one_before(bucket: str):
    store = place(f"{bucket}/all")
    prepare(store)
    with building(store, keep=2) as built:
        (built / "tables" / "word.txt").write_text("first")
    with building(store, keep=2) as built:
        link_tree(published(store), built, Path())
    assert (published(store) / "tables" / "word.txt").read_text() == "first"


def test_a_bucket_that_is_not_there_is_said_not_to_be(bucket: str):
    assert bucket == "s3://club"
    with pytest.raises(UsageError, match="There is no bucket no-such-club"), locked(place("s3://no-such-club/store")):
        pass


def test_a_store_whose_first_refresh_died_early_is_no_other_thing(bucket: str):
    store = place(f"{bucket}/early")
    (store / ".lock").write_bytes(b"{}")
    prepare(store)


def test_files_written_here_arrive_whole_or_not_at_all(bucket: str):
    folder = place(f"{bucket}/written")
    with pytest.raises(RuntimeError, match="half way"):
        write_half(folder)
    assert files_below(folder) == []
    with written_here(folder) as here:
        (here / "b").mkdir()
        (here / "b" / "c.txt").write_text("c")
    assert (folder / "b" / "c.txt").read_text() == "c"


def test_an_object_is_written_only_if_it_is_still_the_one_that_was_read(bucket: str):
    path = place(f"{bucket}/tagged")
    first = put_if(path, b"first", None)
    assert first is not None
    assert put_if(path, b"other", None) is None
    second = put_if(path, b"second", first)
    assert put_if(path, b"late", first) is None
    assert read_tagged(path) == (b"second", second)
    assert read_tagged(path.parent / "absent") == (None, None)


def test_the_lock_in_an_object_store_keeps_others_out_until_it_is_given_back(bucket: str):
    store = place(f"{bucket}/locked")
    with locked(store) as check_still_held:
        with pytest.raises(Held, match=rf"is being changed by process {os.getpid()} on "), locked(store):
            pass
        check_still_held()
    with locked(store):
        pass


def test_the_lock_of_a_holder_who_died_is_taken_over_when_it_has_expired(bucket: str):
    store = place(f"{bucket}/expired")
    (store / ".lock").write_bytes(b'{"process": 1, "host": "gone", "since": "long ago", "until": 1.0}')
    with locked(store):
        assert b"gone" not in (store / ".lock").read_bytes()


def test_a_living_holder_puts_the_end_of_the_lock_off(bucket: str, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.store.lock.LEASE_S", 1.0)
    store = place(f"{bucket}/alive")
    with locked(store):
        first = ends_at(store)
        wait_until(lambda: time.time() > first and ends_at(store) > first)
        with pytest.raises(Held), locked(store):
            pass


def ends_at(store: Path) -> float:
    """When the lock of a store expires."""
    content, _ = read_tagged(store / ".lock")  # its holder may write it at that moment
    assert content is not None
    return float(json.loads(content)["until"])


def wait_until(is_so: Callable[[], bool], seconds: float = 60) -> None:
    until = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < until, "it has not come about in time"
        time.sleep(0.05)


def test_a_holder_whose_lock_was_taken_over_is_told_before_he_publishes(bucket: str, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.store.lock.LEASE_S", 0.4)
    store = place(f"{bucket}/stolen")
    with locked(store) as check_still_held:
        (store / ".lock").write_bytes(b"another's")
        with pytest.raises(LockLost, match="another process may have taken it"):
            wait_until(lambda: bool(check_still_held()))
    assert (store / ".lock").read_bytes() == b"another's"


@pytest.mark.parametrize("address", ["gopher://club/store", "s4://club", "memory://club"])
def test_an_address_that_cannot_be_read_says_which_can(address: str):
    with pytest.raises(UsageError, match=r"cannot be read: .* Addresses of object stores begin with s3://"):
        place(address)


#: A server that answers three requests of ten with 503, and to some objects six times in a row; one of thirty late; and
#: one write of five it carries out twice, or once and loses the answer. `/faults` tells how often.
_TROUBLED = """
import json, threading, time, zlib
from collections import Counter
from moto.server import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import make_server
from werkzeug.wrappers import Request

store, asked, did, lock = DomainDispatcherApplication(create_backend_app), Counter(), Counter(), threading.Lock()

def error(method, start, status, code):
    text = f"<Error><Code>{code}</Code><Message>{code}</Message></Error>".encode() if method != "HEAD" else b""
    start(status, [("Content-Type", "application/xml"), ("Content-Length", str(len(text)))])
    return [text]

def troubled(environ, start):
    method, path = environ["REQUEST_METHOD"], environ["PATH_INFO"] + "?" + environ["QUERY_STRING"]
    if path == "/faults?":
        start("200 OK", [])
        return [json.dumps(did).encode()]
    with lock:
        asked[method, path] += 1
        did["asked"] += 1
        drawn = zlib.crc32(f"{method} {path} {asked[method, path]} {did['asked']}".encode()) % 100
        is_stubborn = zlib.crc32(path.encode()) % 100 < 4 and asked[method, path] <= 6
        deed = "503" if is_stubborn or drawn < 30 else "late" if drawn < 33 else ""
        deed = "put" if not deed and method == "PUT" and drawn < 53 else deed
        did[deed] += 1
    if deed == "503":
        return error(method, start, "503 Service Unavailable", "SlowDown")
    if deed == "late":
        time.sleep(0.3)
    if deed == "put":
        request = Request(environ)
        content = request.get_data()
        def again():
            from io import BytesIO
            return {**environ, "wsgi.input": BytesIO(content)}
        list(store(again(), lambda *_: None))
        if drawn < 43:
            return error(method, start, "500 Internal Server Error", "InternalError")
        return store(again(), start)
    return store(environ, start)

server = make_server("127.0.0.1", 0, troubled, threaded=True)
print(server.port, flush=True)
server.serve_forever()
"""


@pytest.mark.depth
def test_an_object_store_in_trouble_over_whole_refreshes_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    # What is waited for between tries would take minutes; how often is tried stays.
    monkeypatch.setattr("botocore.retryhandler.delay_exponential", lambda **_: 0.01)
    with empty_bucket("troubled-club", _TROUBLED) as bucket:
        club, inbox, store = Nights(tmp_path), bucket / "inbox", bucket / "store"
        runs = {f"{name}/{day}.fit": drifting_run(day, seed=day, km=3) for name in ("ari", "bo") for day in range(2)}
        for name, content in {**runs, "settings.toml": b'pages = "none"\n'}.items():
            club.put(name, content)
            (inbox / name).write_bytes(content)
        for gone in (None, "ari/1.fit"):
            if gone is not None:
                (inbox / gone).unlink()
                (club.inbox / gone).unlink()
            refresh(read_inbox(inbox), store, jobs=1)
            club.refresh()
            assert different(published(store), published(club.store)) == []
        assert [one.name[:6] for one in generations(store)] == ["000001", "000002"]
        assert check_store(store).faults == {}
        with urlopen(f"{os.environ['AWS_ENDPOINT_URL']}/faults") as answer:
            did = json.load(answer)
    assert did["503"] > 0.25 * did["asked"] > 50
    assert min(did["late"], did["put"]) > 10


# --- A cluster -------------------------------------------------------------------------------------------------------


def refreshed_by_cluster(
    store: Path, *, inbox: Path = CLUB, kill_after: str | None = None, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Refresh the demo club on two workers; with `kill_after` one dies when a file of that kind is there."""
    settings = {"DASK_LOGGING__DISTRIBUTED": "critical", "POLARS_MAX_THREADS": "1"}
    return subprocess.run(
        [sys.executable, "-c", _CLUSTER, str(inbox), str(store), kill_after or ""],
        env=os.environ | settings | environment,
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip


_CLUSTER = """
import os, signal, subprocess, sys, threading, time
from pathlib import Path
from distributed import Client, LocalCluster

def strike(store, pattern, pid):
    while not any(store.glob(pattern)):
        time.sleep(0.02)
    os.kill(pid, signal.SIGKILL)
    print("killed", flush=True)

if __name__ == "__main__":
    inbox, store, kill_after = sys.argv[1:]
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        if kill_after:
            with Client(cluster) as client:
                pids = list(client.run(os.getpid).values())
            threading.Thread(target=strike, args=(Path(store), kill_after, pids[0]), daemon=True).start()
        words = ["refresh", "--inbox", inbox, "--store", store, "--cluster", cluster.scheduler_address]
        sys.exit(subprocess.run([sys.executable, "-m", "pipeline", *words]).returncode)
"""


@pytest.mark.depth
def test_two_workers_of_a_cluster_give_the_tables_of_a_local_run(demo: Refreshed, tmp_path: Path):
    told = refreshed_by_cluster(tmp_path / "store")
    assert told.returncode == 0, told.stderr
    assert different(published(tmp_path / "store"), published(demo.store)) == []


@pytest.mark.slow
def test_the_sections_of_a_club_are_planned_by_tasks_of_a_cluster(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 1)
    club, planned = Nights(tmp_path), list[str]()
    club.put("settings.toml", 'pages = "none"\n')
    for seed, name in enumerate(("ari", "bo", "cai", "ari", "bo", "cai")):
        club.put(f"{name}/{seed}.fit", drifting_run(seed, seed=seed, km=3))
    with Client(processes=False, n_workers=1, threads_per_worker=2, dashboard_address=None) as client:  # type: ignore[no-untyped-call]
        mapper = Cluster(client, WORKER_LOADS)

        def delegate(function: Any, shared: Any, items: Any) -> Iterator[Any]:
            planned.append(function.args[0].__name__)
            return mapper.delegate(function, shared, items)

        executor = replace(executor_over(mapper), delegate=delegate)
        state = bring_up_to_date(read_inbox(club.inbox), tmp_path / "by-cluster", executor)
        end_waiting_workers()
    club.refresh()
    assert planned == ["look_at", "measure_section", "respond_section", "drift_section"]
    assert len(list((state / "known").glob("files-*-of-0004.parquet"))) == 4
    assert different(state, published(club.store)) == []


@pytest.mark.depth
def test_pages_of_a_large_club_are_the_same_by_a_cluster_in_an_object_store_and_here(
    bucket: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 1)
    monkeypatch.setattr("pipeline.pages.squads.MOST_ATHLETES", 2)
    club, inbox, store = Nights(tmp_path), place(f"{bucket}/large/inbox"), place(f"{bucket}/large/store")
    runs = {f"{name}/0.fit": drifting_run(seed=seed, km=3) for seed, name in enumerate(("ari", "bo", "cai", "dee"))}
    for name, content in {**runs, "roster.csv": b"athlete_id,squad\nari,north\nbo,south\ncai,north\n"}.items():
        club.put(name, content)
        (inbox / name).write_bytes(content)
    club.refresh()
    here = published(club.store)
    assert {one.name for one in (here / "pages" / "squads").glob("*.html") if ".files" not in one.name} == {
        "north.html", "south.html", "no_squad.html",
    }  # fmt: skip
    with Client(processes=False, n_workers=1, threads_per_worker=2, dashboard_address=None) as client:  # type: ignore[no-untyped-call]
        state = bring_up_to_date(
            read_inbox(club.inbox), tmp_path / "by-cluster", executor_over(Cluster(client, WORKER_LOADS))
        )
        end_waiting_workers()
    assert different(state, here) == []
    refresh(read_inbox(inbox), store, jobs=1)
    # What is known of files has tags there in place of digests.
    assert [name for name in different(published(store), here) if not name.startswith("known/files-")] == []


@pytest.mark.depth
def test_a_worker_that_is_killed_on_the_way_is_survived(small_club: Path, small: Refreshed, tmp_path: Path):
    told = refreshed_by_cluster(
        tmp_path / "store", inbox=small_club, kill_after="generations/*/tables/samples/*/*/*.parquet"
    )
    assert "killed" in told.stdout
    assert told.returncode == 0, told.stderr
    assert different(published(tmp_path / "store"), published(small.store)) == []


@pytest.mark.depth
def test_files_that_hang_crash_or_eat_memory_and_one_that_costs_workers_of_the_cluster_cost_themselves_only(
    tmp_path: Path,
):
    files = BadFiles(tmp_path, "ari/00-kills-parent.fit")
    told = refreshed_by_cluster(
        tmp_path / "store", inbox=files.inbox,
        DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0", **files.environment,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    reasons = files.assert_cost_themselves_only(tmp_path / "store")
    assert "the workers of the cluster that tried it were lost" in reasons["ari/00-kills-parent.fit"]

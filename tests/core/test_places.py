"""An object store in trouble: what is answered with errors, too late or in part costs no more than it must."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.core import places
from pipeline.core.errors import LockLost
from pipeline.core.places import put_if, read_content, remove_tree, versions_below
from pipeline.inbox.inbox import InboxFile, read_inbox
from pipeline.refresh.context import RunContext, Shard
from pipeline.refresh.shard import judge
from pipeline.store.generations import building, current, prepare
from tests.support.object_store import empty_bucket

ROOT = Path(__file__).parents[2]
CSV = "time_utc,distance_m,cadence_spm\n" + "".join(
    f"2026-03-14T09:{s // 60:02}:{s % 60:02}Z,{3 * s},{170 + s % 3}\n" for s in range(600)
)

#: A server that refuses one object, breaks another off, answers each request for a third one with 503 six times, and
#: loses its first answer to a fourth one, which it has written by then.
_SERVER = """
import sys
from collections import Counter
from moto.server import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import make_server

store, asked = DomainDispatcherApplication(create_backend_app), Counter()

def error(method, start, status, code):
    text = f"<Error><Code>{code}</Code><Message>{code}</Message></Error>".encode() if method != "HEAD" else b""
    start(status, [("Content-Type", "application/xml"), ("Content-Length", str(len(text)))])
    return [text]

def faulty(environ, start):
    method, name = environ["REQUEST_METHOD"], environ["PATH_INFO"].rsplit("/", 1)[-1]
    asked[method, name] += 1
    if method == "GET" and name == "denied.csv":
        return error(method, start, "403 Forbidden", "AccessDenied")
    if method == "GET" and name == "broken.csv":
        start("200 OK", [("Content-Length", "5000"), ("ETag", '"1"')])
        return [b"time_utc"]
    if name.startswith("slow") and asked[method, name] <= 6:
        return error(method, start, "503 Service Unavailable", "ServiceUnavailable")
    if method == "PUT" and name == "twice" and asked[method, name] == 1:
        list(store(environ, lambda *_: None))
        return error(method, start, "500 Internal Server Error", "InternalError")
    return store(environ, start)

server = make_server("127.0.0.1", 0, faulty, threaded=True)
print(server.port, flush=True)
server.serve_forever()
"""


@pytest.fixture(scope="module")
def bucket() -> Iterator[Path]:
    """An empty bucket in that server."""
    with empty_bucket("troubled", _SERVER) as found:
        yield found


def test_an_object_that_is_denied_or_broken_costs_its_file_by_name(bucket: Path):
    for name in ("good", "denied", "broken"):
        (bucket / "inbox" / "ari" / f"{name}.csv").write_text(CSV)
    inbox = read_inbox(bucket / "inbox")
    shard = Shard("ari", tuple(InboxFile(file.path, "ari", tag=file.tag) for file in inbox.files))
    measured = judge(RunContext(inbox), shard)
    ledger = measured.recordings.sort("path")
    assert ledger.select("path", "status").rows() == [
        ("ari/broken.csv", "rejected"), ("ari/denied.csv", "rejected"), ("ari/good.csv", "accepted"),
    ]  # fmt: skip
    assert ledger["reason"].str.starts_with("The file cannot be opened: ").to_list() == [True, True, False]
    assert measured.passing == ("ari/broken.csv", "ari/denied.csv")


def test_objects_are_listed_a_page_at_a_time_in_order_of_path(bucket: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(places, "_LISTED_AT_ONCE", 2)
    names = ["b/2.fit", "a/1.fit", "z ü%+.fit", "B.fit", "a-b/1.fit"]
    for name in names:
        (bucket / "listed" / name).write_bytes(name.encode())
    (bucket / "listed-too" / "a.fit").write_bytes(b"of another folder")
    found = versions_below(bucket / "listed")
    asked, fs = list[str](), bucket.fs  # type: ignore[attr-defined]
    call = fs.call_s3
    call("put_object", Bucket="troubled", Key="listed/hollow/", Body=b"")  # what stands for a folder
    monkeypatch.setattr(
        fs, "call_s3", lambda method, *args, **more: [asked.append(method), call(method, *args, **more)][1]
    )
    first = next(found)
    assert (first[0], len(asked)) == ("B.fit", 1)
    tags = dict([first, *found])
    assert list(tags) == sorted(names)
    assert len(set(tags.values())) == 5
    assert asked == ["list_objects_v2"] * 3
    (bucket / "listed" / "B.fit").write_bytes(b"another content")
    again = dict(versions_below(bucket / "listed"))
    assert [name for name in names if again[name] != tags[name]] == ["B.fit"]
    assert list(versions_below(bucket / "nothing")) == []


@pytest.mark.depth
def test_a_store_that_is_overloaded_for_some_seconds_is_survived(bucket: Path):
    names = [bucket / f"slow-{number}" for number in range(8)]
    with ThreadPoolExecutor(8) as threads:
        list(threads.map(lambda name: name.write_bytes(name.name.encode()), names))
        assert list(threads.map(read_content, names)) == [name.name.encode() for name in names]


def test_a_conditional_write_whose_answer_was_lost_is_known_for_ones_own(bucket: Path):
    tag = put_if(bucket / "twice", b"mine", None)
    assert tag is not None
    assert put_if(bucket / "twice", b"another's", None) is None
    assert put_if(bucket / "twice", b"next", tag) is not None


def write(built: Path, word: str) -> None:
    (built / "word.txt").write_text(word)


def test_a_writer_that_was_stopped_for_longer_than_its_lease_does_not_set_the_store_back(bucket: Path):
    store = bucket / "stopped"
    prepare(store)
    with building(store, keep=5) as built:
        write(built, "first")

    def overtaken() -> None:
        with building(store, keep=5) as slow:
            write(slow, "slow")
            with building(store, keep=5) as fast:
                write(fast, "fast")
            write(slow, "slow")  # what the other removed as left over

    with pytest.raises(LockLost):
        overtaken()
    state = current(store)
    assert state is not None
    assert (state / "word.txt").read_text() == "fast"


def test_a_writer_that_is_asked_to_end_gives_the_lock_back_at_once(bucket: Path):
    store = bucket / "ended"
    code = (
        "import sys, time\nfrom pipeline.core.places import place\nfrom pipeline.store.lock import locked\n"
        f"with locked(place({str(store)!r})):\n    print('held', flush=True)\n    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        assert (store / ".lock").exists()
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=30) == 128 + signal.SIGTERM
    assert not (store / ".lock").exists()


def test_a_folder_is_removed_with_all_in_it_and_nothing_that_links_lead_to(tmp_path: Path):
    elsewhere, folder = tmp_path / "elsewhere", tmp_path / "folder"
    for path in (elsewhere / "a" / "kept", folder / "a" / "b" / "gone", folder / "c" / "gone"):
        path.parent.mkdir(parents=True)
        path.write_text("")
    (folder / "a" / "link").symlink_to(elsewhere)
    (tmp_path / "link").symlink_to(elsewhere)
    remove_tree(tmp_path / "link")
    remove_tree(folder)
    remove_tree(folder)  # which is no longer there
    assert sorted(tmp_path.rglob("*")) == [elsewhere, elsewhere / "a", elsewhere / "a" / "kept", tmp_path / "link"]

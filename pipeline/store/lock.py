"""The lock of a store: one process at a time changes it. Readers need none.

On a disk it is the operating system's own lock on an open file, so that it ends with the process that holds it, however
that ends: a dead holder leaves nothing to clear away. In an object store it is an object that can be made only while
there is none, with the time until which it holds; its holder puts that off for as long as he lives.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from pipeline.core.errors import Held
from pipeline.core.places import is_remote, put_if, read_tagged

LOCK = ".lock"
_LOOK_AGAIN_S = 0.2


@contextmanager
def locked(store: Path, *, wait_s: float = 0.0) -> Iterator[Callable[[], None]]:
    """Hold the lock of a store; gives a function that raises `Held` should it have been lost, to be asked at the end.

    Args:
        store: its folder, which exists, or its address.
        wait_s: how long to wait for another process to end its work [s].

    Raises:
        Held: another process still holds it; the message says which.
    """
    until = time.monotonic() + wait_s
    with _locked_object(store, until) if is_remote(store) else _locked_file(store, until) as assure:
        yield assure


def _myself() -> dict[str, object]:
    return {
        "process": os.getpid(),
        "host": socket.gethostname(),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
        "command": Path(sys.argv[0]).name,
    }


def _say_held(store: Path, content: bytes) -> Held:
    return Held(f"{store} is being changed by {_holder(content)}. {_ADVICE}")


_ADVICE = "Wait until it has ended (`splitdrift refresh` does with --wait SECONDS); readers need not wait."


def _holder(content: bytes) -> str:
    """Who wrote himself into the lock; he may just be doing so."""
    try:
        found = json.loads(content)
        return f"process {found['process']} on {found['host']}, since {found['since']}"
    except (ValueError, KeyError, TypeError):
        return "another process"


# --- On a disk -------------------------------------------------------------------------------------------------------


@contextmanager
def _locked_file(store: Path, until: float) -> Iterator[Callable[[], None]]:
    descriptor = os.open(store / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _take(descriptor, store, until)
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps(_myself()).encode(), 0)
        try:
            yield lambda: None  # it cannot be lost
        finally:
            os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def _take(descriptor: int, store: Path, until: float) -> None:
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= until:
                raise _say_held(store, os.pread(descriptor, 4096, 0)) from None
            time.sleep(_LOOK_AGAIN_S)
        else:
            return


# --- In an object store ----------------------------------------------------------------------------------------------

#: The lock of a holder who died holds for at most so long; a living one puts it off four times in that.
LEASE_S = 120.0


@contextmanager
def _locked_object(store: Path, until: float) -> Iterator[Callable[[], None]]:
    place = store / LOCK
    tag = _take_object(place, store, until)
    ended, lost = threading.Event(), threading.Event()

    def put_off() -> None:
        nonlocal tag
        until = time.monotonic() + LEASE_S
        while not ended.wait(LEASE_S / 4):
            try:
                replaced = put_if(place, _lease(), tag)
            except Exception:  # the network's, which may pass; the lease may not
                if time.monotonic() < until:
                    continue
                replaced = None
            if replaced is None:
                lost.set()
                return
            tag, until = replaced, time.monotonic() + LEASE_S

    def assure() -> None:
        if lost.is_set():
            raise Held(f"The lock of {store} was taken over by another process, which found it expired.")

    keeper = threading.Thread(target=put_off, daemon=True)
    keeper.start()
    try:
        yield assure
    finally:
        ended.set()
        keeper.join()
        if not lost.is_set():
            place.unlink(missing_ok=True)


def _take_object(place: Path, store: Path, until: float) -> str:
    while True:
        tag = put_if(place, _lease(), None)
        if tag is not None:
            return tag
        content, known = read_tagged(place)
        if content is not None and known is not None and _has_expired(content):
            tag = put_if(place, _lease(), known)
            if tag is not None:
                return tag
        if time.monotonic() >= until:
            raise _say_held(store, content or b"")
        time.sleep(_LOOK_AGAIN_S)


def _lease() -> bytes:
    return json.dumps(_myself() | {"until": time.time() + LEASE_S}).encode()


def _has_expired(content: bytes) -> bool:
    try:
        return float(json.loads(content)["until"]) < time.time()
    except (ValueError, KeyError, TypeError):
        return True

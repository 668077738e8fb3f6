"""The lock of a store: one process at a time changes it. Readers need none.

On a disk it is the operating system's own lock on an open file, so that it ends with the process that holds it, however
that ends: a killed holder leaves nothing to clean up. In an object store it is an object that can only be created while
there is none, with the time at which it expires; its holder renews it for as long as it runs.
"""

from __future__ import annotations

import fcntl
import json
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from pipeline.core.errors import Held, LockLost
from pipeline.core.places import is_remote, put_if, read_tagged

LOCK = ".lock"
_POLL_S = 0.2


@contextmanager
def locked(store: Path, *, wait_s: float = 0.0) -> Iterator[Callable[[], None]]:
    """Hold the lock of a store; yields a function to call before publishing, which raises `LockLost` if it was lost.

    Args:
        store: its folder, which exists, or its address.
        wait_s: how long to wait for another process to release it [s].

    Raises:
        Held: another process still holds it.
    """
    deadline = time.monotonic() + wait_s
    with _locked_object(store, deadline) if is_remote(store) else _locked_file(store, deadline) as check_still_held:
        yield check_still_held


def _this_process() -> dict[str, object]:
    return {
        "process": os.getpid(),
        "host": socket.gethostname(),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
        "command": Path(sys.argv[0]).name,
    }


def _held(store: Path, content: bytes) -> Held:
    """The error for a store whose lock has this content, which its holder may just be writing."""
    try:
        lock = json.loads(content)
        return Held(store, f"process {lock['process']} on {lock['host']}", str(lock["since"]))
    except (ValueError, KeyError, TypeError):
        return Held(store)


# --- On a disk -------------------------------------------------------------------------------------------------------


@contextmanager
def _locked_file(store: Path, deadline: float) -> Iterator[Callable[[], None]]:
    descriptor = os.open(store / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _take(descriptor, store, deadline)
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps(_this_process()).encode(), 0)

        def check_still_held() -> None:
            if not _is_open_file(descriptor, store / LOCK):
                raise LockLost(store)

        try:
            yield check_still_held
        finally:
            os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def _is_open_file(descriptor: int, file: Path) -> bool:
    """Whether a file is the one that is open; if not, its folder was removed, and another may be locked there."""
    try:
        return os.path.samestat(os.fstat(descriptor), file.stat())
    except FileNotFoundError:
        return False


def _take(descriptor: int, store: Path, deadline: float) -> None:
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= deadline:
                raise _held(store, os.pread(descriptor, 4096, 0)) from None
            time.sleep(_POLL_S)
        else:
            return


# --- In an object store ----------------------------------------------------------------------------------------------

#: How long the lock of a killed holder lasts [s]; a running holder renews it four times in that time.
LEASE_S = 120.0


@contextmanager
def _locked_object(store: Path, deadline: float) -> Iterator[Callable[[], None]]:
    place = store / LOCK
    tag = _take_object(place, store, deadline)
    ended, lost = threading.Event(), threading.Event()

    def renew() -> None:
        nonlocal tag
        expires = time.monotonic() + LEASE_S
        while not ended.wait(LEASE_S / 4):
            try:
                replaced = put_if(place, _lease(), tag)
            except Exception:  # of the network, which may recover before the lease expires
                if time.monotonic() < expires:
                    continue
                replaced = None
            if replaced is None:
                lost.set()
                return
            tag, expires = replaced, time.monotonic() + LEASE_S

    def check_still_held() -> None:
        if lost.is_set():
            raise LockLost(store)

    renewer = threading.Thread(target=renew, daemon=True)
    renewer.start()
    try:
        with _ending_by_exception():
            yield check_still_held
    finally:
        ended.set()
        renewer.join()
        if not lost.is_set():
            place.unlink(missing_ok=True)


@contextmanager
def _ending_by_exception() -> Iterator[None]:
    """Where SIGTERM would end the process at once, end it by an exception, so that the lock is given back."""
    is_default = threading.current_thread() is threading.main_thread() and (
        signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    )
    if not is_default:
        yield
        return
    signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _take_object(place: Path, store: Path, deadline: float) -> str:
    while True:
        tag = put_if(place, _lease(), None)
        if tag is not None:
            return tag
        content, known = read_tagged(place)
        if content is not None and known is not None and _has_expired(content):
            tag = put_if(place, _lease(), known)
            if tag is not None:
                return tag
        if time.monotonic() >= deadline:
            raise _held(store, content or b"")
        time.sleep(_POLL_S)


def _lease() -> bytes:
    return json.dumps(_this_process() | {"until": time.time() + LEASE_S}).encode()


def _has_expired(content: bytes) -> bool:
    try:
        return float(json.loads(content)["until"]) < time.time()
    except (ValueError, KeyError, TypeError):
        return True

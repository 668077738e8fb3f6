"""The lock of a store: one process at a time changes it.

It is the operating system's own lock on an open file, so that it ends with the process that holds it, however that
ends: a dead holder leaves nothing to clear away. Readers need none.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from pipeline.errors import Held

_LOCK = ".lock"
_LOOK_AGAIN_S = 0.2


@contextmanager
def locked(store: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the lock of a store.

    Args:
        store: its folder, which exists.
        wait_s: how long to wait for another process to end its work [s].

    Raises:
        Held: another process still holds it; the message says which.
    """
    descriptor = os.open(store / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _take(descriptor, store, time.monotonic() + wait_s)
        holder = {
            "process": os.getpid(),
            "host": socket.gethostname(),
            "since": datetime.now(UTC).isoformat(timespec="seconds"),
            "command": Path(sys.argv[0]).name,
        }
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, json.dumps(holder).encode(), 0)
        try:
            yield
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
                raise Held(f"{store} is being changed by {_holder(descriptor)}. {_ADVICE}") from None
            time.sleep(_LOOK_AGAIN_S)
        else:
            return


_ADVICE = "Wait until it has ended, or give --wait SECONDS; readers need not wait."


def _holder(descriptor: int) -> str:
    """Who wrote himself into the lock file; he may just be doing so."""
    try:
        found = json.loads(os.pread(descriptor, 4096, 0))
        return f"process {found['process']} on {found['host']}, since {found['since']}"
    except (ValueError, KeyError, TypeError):
        return "another process"

"""A Prefect server of one's own, for as long as a schedule is served and nobody has named another.

It begins empty each time and keeps nothing: the schedule is given to it anew, and what a night has to do is seen from
the store. So nothing that a crash left in it can stand in the way of the next night. It ends with the process that
started it, however that ends.

`python -m flows.own_server PORT` is that server: it listens to its standard input, which ends with its parent.
"""

from __future__ import annotations

import os
import runpy
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.error import URLError
from urllib.request import ProxyHandler, build_opener

from pipeline.core.errors import NothingDone

#: A first start on a busy machine has taken half a minute.
START_S = 180.0
_STOP_S = 15.0

#: Prefect reads its environment once, when it is imported.
QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_LOGGING_LEVEL": "WARNING",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    # One line a night, with its outcome.
    "PREFECT_LOGGING_LOGGERS_PREFECT_FLOW_RUNS_LEVEL": "INFO",
    # A slot that a crash left taken frees itself, also if the server crashed too.
    "PREFECT_SERVER_CONCURRENCY_LEASE_STORAGE": "prefect.server.concurrency.lease_storage.filesystem",
}


@contextmanager
def server() -> Iterator[str]:
    """A Prefect API, named in the environment: the one that is named there already, else one started here.

    Prefect must not have been imported before.

    Raises:
        NothingDone: the server did not start.
    """
    for name, value in QUIET.items():
        os.environ.setdefault(name, value)
    named = os.environ.get("PREFECT_API_URL")
    if named:
        yield named
        return
    with TemporaryDirectory(prefix="splitdrift-prefect-", ignore_cleanup_errors=True) as home:
        os.environ["PREFECT_HOME"] = home
        port = _free_port()
        process = subprocess.Popen(
            [sys.executable, "-m", "flows.own_server", str(port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # a Ctrl-C is for us, who still need the server to end in good order
        )
        try:
            _wait_for(process, port)
            os.environ["PREFECT_API_URL"] = f"http://127.0.0.1:{port}/api"
            yield os.environ["PREFECT_API_URL"]
        finally:
            os.environ.pop("PREFECT_API_URL", None)
            os.environ.pop("PREFECT_HOME", None)
            process.terminate()
            try:
                process.wait(_STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdin is not None:
                process.stdin.close()


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _wait_for(process: subprocess.Popen[bytes], port: int) -> None:
    opener = build_opener(ProxyHandler({}))  # this machine is not reached through a proxy
    until = time.monotonic() + START_S
    while time.monotonic() < until and process.poll() is None:
        try:
            with opener.open(f"http://127.0.0.1:{port}/api/health", timeout=5):
                return
        except (URLError, OSError):
            time.sleep(0.2)
    raise NothingDone(
        f"Prefect's server did not start within {START_S:g} s. Try again, start one yourself (`prefect server start`) "
        "and name it in PREFECT_API_URL, or let the system's own timer call `splitdrift nightly --once`."
    )


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(_STOP_S)
    os._exit(1)


def _serve(port: str) -> None:
    # Readable by nobody else: the server holds where inbox and store lie.
    os.umask(0o077)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    sys.argv = [str(Path("prefect")), "server", "start", "--host", "127.0.0.1", "--port", port, "--no-ui"]
    runpy.run_module("prefect", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    _serve(sys.argv[1])

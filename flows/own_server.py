"""A temporary Prefect server, for as long as a schedule is served and PREFECT_API_URL names no other.

It starts empty each time and keeps nothing: the schedule is registered again, and what a night has to do follows from
the store. So nothing that a crash left in it can block the next night. It ends with the process that started it, also
if that is killed.

`python -m flows.own_server PORT` is that server: it watches its standard input, which ends with its parent.
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
from tempfile import TemporaryDirectory
from urllib.error import URLError
from urllib.request import ProxyHandler, build_opener

from pipeline.core.errors import NothingDone

#: A first start on a busy machine has taken half a minute.
START_S = 180.0
_STOP_S = 15.0

#: For a schedule, besides what `flows` sets for every flow.
_ENVIRONMENT = {
    # One line per night, with its outcome.
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
    for name, value in _ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    named = os.environ.get("PREFECT_API_URL")
    if named:
        yield named
        return
    with TemporaryDirectory(prefix="splitdrift-prefect-", ignore_cleanup_errors=True) as home:
        os.environ["PREFECT_HOME"] = home
        port = _free_port()
        process = subprocess.Popen(
            server_command(port),
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # a Ctrl-C reaches this process only, which still needs the server to end in order
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


def server_command(port: int) -> list[str]:
    """The command that starts the server, without the working directory on its path."""
    return [sys.executable, "-P", "-m", "flows.own_server", str(port)]


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _wait_for(process: subprocess.Popen[bytes], port: int) -> None:
    opener = build_opener(ProxyHandler({}))  # this machine is not reached through a proxy
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline and process.poll() is None:
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
    # Readable by its owner only: the server's database holds the paths of inbox and store.
    os.umask(0o077)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    sys.argv = ["prefect", "server", "start", "--host", "127.0.0.1", "--port", port, "--no-ui"]
    runpy.run_module("prefect", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    _serve(sys.argv[1])

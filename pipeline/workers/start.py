"""Processes of the pool: each is a Python of its own that runs one function of ours, and has one end of a pipe."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection, Pipe
from typing import NoReturn

#: Each worker has one core, so the libraries in it start no threads of their own. Nor do the allocators of Polars and
#: PyArrow: at the limit of memory the one of Polars would tell the terminal thousands of times that it cannot have its
#: thread, and where such a thread runs no worker can be forked. The allocator of Polars returns freed pieces of a
#: megabyte and more to the system at once; otherwise a worker would keep the most that it ever held. A backtrace takes
#: memory, too: Rust code that panics for want of memory would wait for itself. C's allocator, which NumPy asks for
#: arrays of some hundred kilobytes thousands of times per second, may keep 64 MB: to return their pages to the system
#: and get them anew would be a tenth of the time of reading.
ENVIRONMENT = {
    "POLARS_MAX_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "_RJEM_MALLOC_CONF": "background_thread:false,oversize_threshold:1048576",
    "JE_ARROW_MALLOC_CONF": "background_thread:false",
    "RUST_BACKTRACE": "0",
    "MALLOC_MMAP_THRESHOLD_": str(32 * 2**20),
    "MALLOC_TRIM_THRESHOLD_": str(64 * 2**20),
}

#: The standard library's way to start a process would load the script that runs here, and does not allow it to the
#: workers of a Dask cluster. A function is found by its module, hence by `sys.path`, which therefore comes first.
_PROGRAM = """
import sys
from multiprocessing.connection import Connection
pipe = Connection(int(sys.argv[1]))
sys.path[:] = pipe.recv()
from {module} import {function}
{function}(pipe.recv(), pipe)
"""


def start(
    function: Callable[[str, Connection], NoReturn], loads: str, environment: Mapping[str, str]
) -> tuple[subprocess.Popen[bytes], Connection]:
    """Start a process that runs a function of a module; returns it and this process's end of the pipe.

    Args:
        loads: what the function is given: modules to be imported, with a blank between.
        environment: what the process has in its environment on top of what this one has.
    """
    ours, theirs = Pipe()
    program = _PROGRAM.format(module=function.__module__, function=function.__name__)
    process = subprocess.Popen(
        [sys.executable, "-P", "-c", program, str(theirs.fileno())],
        pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL, env={**os.environ, **environment},
    )  # fmt: skip
    ours.send(sys.path)
    ours.send(loads)
    theirs.close()  # from now on the pipe ends when the process does
    return process, ours

"""An object store on this machine, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from pipeline.core.places import place


@contextmanager
def empty_bucket(name: str, server_code: str) -> Iterator[Path]:
    """An empty bucket in a server whose code prints its port first; the environment names it as long.

    Libraries keep what they once connected to, and two files of tests may share a process: that is forgotten
    first, and at the end.
    """
    import s3fs  # noqa: PLC0415 -- takes as long as many tests

    server = subprocess.Popen(
        [sys.executable, "-c", server_code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert server.stdout is not None
    port = server.stdout.readline().strip()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{port}")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        for secret in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
            patch.setenv(secret, "none")
        s3fs.S3FileSystem.clear_instance_cache()
        found: Any = place(f"s3://{name}")
        found.fs.mkdir(name)
        yield found
    s3fs.S3FileSystem.clear_instance_cache()  # another bucket may be open, whose server the environment names again
    server.terminate()
    server.wait()
    server.stdout.close()

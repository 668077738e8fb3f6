"""Which code makes the tables."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path

from pipeline.core.resources import shipped

#: Libraries whose version may change a last digit.
_LIBRARIES = ("polars", "duckdb", "pyarrow", "numpy", "scipy", "fitfast", "fitdecode")


@cache
def code_digest() -> str:
    """Digest of the code that makes the tables, and of the versions of its libraries."""
    package = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for file in sorted([*package.rglob("*.py"), *shipped("sql").glob("*.sql")]):
        digest.update(file.name.encode() + file.read_bytes())
    versions = [platform.python_version(), *(f"{name} {version(name)}" for name in _LIBRARIES)]
    digest.update("\0".join(versions).encode())
    return digest.hexdigest()

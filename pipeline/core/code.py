"""Which code makes the tables: its version and its digest."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path

from pipeline.core.resources import shipped

#: Libraries whose version may change a last digit.
_LIBRARIES = ("polars", "duckdb", "pyarrow", "numpy", "scipy", "fitfast", "fitdecode")


_PACKAGE = Path(__file__).parents[1]
#: Files of the package next to modules: words, rules, texts. Those of pages have a digest of their own.
_DATA = (".toml", ".json", ".txt", ".html")


@cache
def own_version() -> str:
    """The version of splitdrift; to look it up takes as long as to write a table, so it is done once."""
    return version("splitdrift")


def files_of_code() -> list[Path]:
    """The files that decide what is in tables and studies."""
    data = (file for file in _PACKAGE.rglob("*") if file.suffix in _DATA and _PACKAGE / "pages" not in file.parents)
    return sorted([*_PACKAGE.rglob("*.py"), *data, *shipped("sql").glob("*.sql")])


@cache
def code_digest() -> str:
    """Digest of the code that makes the tables, and of the versions of its libraries."""
    digest = hashlib.sha256()
    for file in files_of_code():
        digest.update(file.name.encode() + file.read_bytes())
    versions = [platform.python_version(), *(f"{name} {version(name)}" for name in _LIBRARIES)]
    digest.update("\0".join(versions).encode())
    return digest.hexdigest()

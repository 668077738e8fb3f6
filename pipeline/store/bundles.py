"""Bundles: what a step made of a shard or an athlete, in one file of the state being built.

Steps hand each other the names of bundles; the rows go from worker to worker by the store, and never through the
process that plans. A bundle is a line of JSON with the names and lengths [bytes] of its tables, and after it the rows
of each in Arrow's format, compressed, which takes no longer: a metric or a run is named in thousands of rows.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import polars as pl

from pipeline.core.places import is_remote, make_folder, replacing

#: Their folder in a state that is being built; removed before it is published.
GATHERED = "gathered"


@dataclass(frozen=True)
class Bundle:
    """What is known of a bundle without opening it.

    Attributes:
        name: its path in the state being built.
        athlete_id: whose rows it holds; None for files that belong to nobody.
        has_runs: whether it holds any run.
        files: the files of the inbox that were read for it.
        samples: the files of samples that belong to it, by their path in the state.
        passing: files rejected for a reason that may have passed by the next refresh.
    """

    name: str
    athlete_id: str | None
    has_runs: bool = False
    files: tuple[str, ...] = ()
    samples: tuple[str, ...] = ()
    passing: tuple[str, ...] = ()


def write_bundle(built: Path, name: str, tables: Mapping[str, pl.DataFrame | bytes]) -> None:
    """Write tables as one file, in one step in place of what an attempt before may have left, and others may read.

    Args:
        tables: their rows, or what `packed` made of these.
    """
    file = built / name
    make_folder(file.parent)
    contents = {table: rows if isinstance(rows, bytes) else packed(rows) for table, rows in tables.items()}
    head = json.dumps({table: len(content) for table, content in contents.items()}).encode("ascii")
    with nullcontext(file) if is_remote(file) else replacing(file) as written:
        written.write_bytes(b"".join([head, b"\n", *contents.values()]))


def read_bundle(built: Path, name: str) -> dict[str, pl.DataFrame]:
    """The tables of a bundle by name."""
    return dict(tables_of(built, name))


def tables_of(built: Path, name: str, wanted: Collection[str] | None = None) -> Iterator[tuple[str, pl.DataFrame]]:
    """The same one after the other, in the order in which they were written; those that are wanted, or all."""
    stream = BytesIO((built / name).read_bytes())
    for table, n_bytes in json.loads(stream.readline()).items():
        content = stream.read(n_bytes)
        if wanted is None or table in wanted:
            yield table, pl.read_ipc_stream(BytesIO(content))


def packed(rows: pl.DataFrame) -> bytes:
    """Rows as they are in a bundle, a tenth as large as in memory."""
    content = BytesIO()
    rows.write_ipc_stream(content, compression="lz4")  # which takes a tenth of the time of a file of Arrow's
    return content.getvalue()

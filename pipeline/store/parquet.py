"""Parquet files: each holds the unit and meaning of its columns, and what it was made from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path

import polars as pl
import pyarrow as pa

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.places import is_remote, make_folder
from pipeline.store.contents import read_checked
from pipeline.tables import empty, meaning_of, schema_of, unit_of

#: The default level takes a sixth more time and saves 6 % of the size.
_COMPRESSION_LEVEL = 1


@dataclass(frozen=True)
class Provenance:
    """What a table was made from: digests of the inputs and the settings, and the version of the code."""

    inputs_sha256: str
    settings_sha256: str
    version: str


def write_table(
    path: Path, table: str, frame: pl.DataFrame, provenance: Provenance, registry: Registry = BUILT_IN
) -> None:
    """Write rows of a table as one Parquet file.

    Args:
        path: the file; its folder is made.
        frame: publishable rows (see `pipeline.tables.publishable`).
        registry: the quantities in force.
    """
    about = {
        "splitdrift.table": table,
        "splitdrift.meaning": meaning_of(table),
        "splitdrift.inputs_sha256": provenance.inputs_sha256,
        "splitdrift.settings_sha256": provenance.settings_sha256,
        "splitdrift.version": provenance.version,
    }
    schema = _schema(table, registry).with_metadata(about)
    rows = frame if frame.columns == schema.names else frame.select(schema.names)
    # Written from memory: on a full disk Polars reports a malformed file, the system reports the cause.
    content = BytesIO()
    rows.write_parquet(
        content, compression="zstd", compression_level=_COMPRESSION_LEVEL, arrow_schema=schema, metadata=about
    )
    make_folder(path.parent)
    if not is_remote(path):
        path.unlink(missing_ok=True)  # it may be hard-linked to a file of an older generation
    path.write_bytes(content.getvalue())


@cache
def _schema(table: str, registry: Registry) -> pa.Schema:
    """The types of a table's columns, with unit and meaning as field metadata."""
    columns = schema_of(table, registry).columns()
    types = empty(table, registry).to_arrow(compat_level=pl.CompatLevel.oldest()).schema
    return pa.schema(
        [
            pa.field(
                field.name,
                field.type,
                nullable=columns[field.name].nullable,
                metadata={"unit": unit_of(columns[field.name]), "meaning": columns[field.name].description or ""},
            )
            for field in types
        ]
    )


def read_provenance(state: Path) -> Provenance:
    """What the tables of a state were made from: those of the club as a whole name the recordings of all sections."""
    about = pl.read_parquet_metadata(BytesIO(read_checked(state, "tables/roster/roster.parquet")))
    names = ("inputs_sha256", "settings_sha256", "version")
    return Provenance(*(about[f"splitdrift.{name}"] for name in names))

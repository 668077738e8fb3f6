"""What is in the files of a study's output: a dictionary to be read, and the same as a Data Package of Table Schemas.

Source: Frictionless Standards, Data Package and Table Schema, version 1 (specs.frictionlessdata.io; from memory).
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import polars as pl

from pipeline.study.conduct import StudyResult
from pipeline.study.released_tables import RELEASED
from pipeline.study.results import Comparison, FlowSteps, Power, Results
from pipeline.tables import unit_of
from pipeline.tables.columns import dy

#: Every table of an output by its file.
TABLES_OF_OUTPUT: Mapping[str, type[dy.Schema]] = {
    "results.csv": Results, "published.csv": Comparison, "power.csv": Power, "flow.csv": FlowSteps,
    **{f"data/{name}.csv": schema for name, schema in RELEASED.items()},
}  # fmt: skip
_TYPES = {pl.String: "string", pl.Int64: "integer", pl.Float64: "number", pl.Boolean: "boolean"}


def dictionary(files: Mapping[str, int], least_cell: int) -> str:
    """The tables of an output and their columns, in Markdown.

    Args:
        files: the tables that there are, with their numbers of rows.
        least_cell: of the study.
    """
    lines = [
        "# Dictionary",
        "",
        f"Numbers of fewer than {least_cell} people, and numbers that would give such a number away, are left out; "
        "`note` says where. datapackage.json has the same for programs (Frictionless Table Schema).",
        "",
    ]
    for file, n_rows in files.items():
        schema = TABLES_OF_OUTPUT[file]
        lines += [f"## {file}", "", f"{_meaning(schema)} {n_rows} rows.", ""]
        lines += ["| column | unit | meaning |", "| --- | --- | --- |"]
        lines += [f"| {name} | {unit_of(column)} | {column.description} |" for name, column in schema.columns().items()]
        lines.append("")
    return "\n".join(lines)


def data_package(files: Mapping[str, int], result: StudyResult) -> str:
    """The same as a Data Package, in JSON."""
    resources = [
        {
            "name": file.removesuffix(".csv").replace("/", "-"),
            "path": file,
            "description": _meaning(TABLES_OF_OUTPUT[file]),
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "profile": "tabular-data-resource",
            "schema": _table_schema(TABLES_OF_OUTPUT[file]),
        }
        for file in files
    ]
    package = {
        "profile": "tabular-data-package",
        "name": f"study-{result.study.digest()[:12]}",
        "title": result.study.title,
        "description": result.study.question,
        "contributors": [{"title": author, "role": "author"} for author in result.study.authors],
        **({"licenses": [{"name": result.study.licence}]} if result.study.licence else {}),
        "resources": resources,
    }
    return json.dumps({name: value for name, value in package.items() if value}, indent=1, ensure_ascii=False) + "\n"


def _table_schema(schema: type[dy.Schema]) -> dict[str, object]:
    fields = [
        {
            "name": name,
            "type": _TYPES[type(column.dtype) if isinstance(column.dtype, pl.DataType) else column.dtype],
            "description": column.description,
            "unit": unit_of(column),
            "constraints": {"required": not column.nullable and column.dtype != pl.String},
        }
        for name, column in schema.columns().items()
    ]
    return {"fields": fields, "primaryKey": schema.primary_key(), "missingValues": [""]}


def _meaning(schema: type[dy.Schema]) -> str:
    return " ".join((schema.__doc__ or "").split())

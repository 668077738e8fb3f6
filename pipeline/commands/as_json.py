"""What commands say with `--json`: one document on the standard output, with the same keys every time."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

import click

from pipeline.core.toml import beside

if TYPE_CHECKING:
    import polars as pl


@cache
def documents() -> Mapping[str, Mapping[str, str]]:
    """The documents, and the meaning of their keys."""
    return beside(__file__)


def print_json(command: str, document: Mapping[str, Any]) -> None:
    """Print the document of a command.

    Raises:
        KeyError: its keys are not those of `documents`: a fault of the command.
    """
    if document.keys() != documents()[command].keys():
        raise KeyError(f"{command}: {sorted(document.keys() ^ documents()[command].keys())}")
    click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))


def rows_of(frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Rows as JSON has them: times in UTC as ISO 8601, what is missing or no number as null."""
    import polars as pl
    import polars.selectors as cs

    written = frame.with_columns(
        cs.datetime().dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        cs.date().dt.strftime("%Y-%m-%d"),
        pl.when(cs.float().is_finite()).then(cs.float()),
    )
    return written.to_dicts()

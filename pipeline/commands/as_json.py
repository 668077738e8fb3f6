"""What commands say with `--json`: one document on the standard output, with the same keys every time."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import polars as pl

#: The documents, and the meaning of their keys. Rows have the columns of `data/DICTIONARY.md`.
DOCUMENTS: Mapping[str, Mapping[str, str]] = {
    "check": {
        "inbox": "Path or address of the inbox.",
        "n_files": "Files that were looked at.",
        "statuses": "Number of sessions by status.",
        "recordings": "Rows of the table `recordings`, as a refresh would write them.",
        "notices": "Sentences on what to look at although nothing stops for it.",
    },
    "refresh": {
        "store": "Path or address of the store.",
        "generation": "Name of its valid state.",
        "n_files": "Files in the inbox.",
        "statuses": "Number of sessions by status, of the whole inbox.",
        "is_new": "False if nothing had changed, so that nothing was computed.",
        "recordings": "Rows of the table `recordings` that are new, or of which another thing became.",
        "findings": "Findings that changed: athlete_id, metric, before, after.",
        "notices": "Sentences on what to look at although nothing stops for it.",
    },
    "show": {
        "table": "Name of the table; without TABLE, `athlete_drift`.",
        "rows": "Its rows; all of them, or those for which --where holds.",
    },
    "verify": {
        "state": "Folder or address of the valid state; with --repair, of the new one.",
        "schema": "Schema of the store; null where that is not known.",
        "version": "Version of splitdrift that wrote the state; null where that is not known.",
        "n_files": "Files that it holds.",
        "damaged": "Files that are damaged, and still are after --repair: file, fault, rests_on_it.",
        "older_states": "Names of older states that hold the same damaged files.",
        "repaired": "Files that --repair made again.",
    },
    "calibrate": {
        "table": "`calibration`.",
        "rows": "Its rows.",
    },
}


def print_json(command: str, document: Mapping[str, Any]) -> None:
    """Print the document of a command.

    Raises:
        KeyError: its keys are not those of `DOCUMENTS`: a fault of the command.
    """
    if document.keys() != DOCUMENTS[command].keys():
        raise KeyError(f"{command}: {sorted(document.keys() ^ DOCUMENTS[command].keys())}")
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

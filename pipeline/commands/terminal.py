"""What every command has in common: the kind of its places, and the window that it writes into."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console


class _Folder(click.ParamType):  # type: ignore[type-arg]
    """A folder, or an address of an object store."""

    name = "folder or address"

    def convert(self, value: object, _param: click.Parameter | None, _ctx: click.Context | None) -> Path:
        if isinstance(value, Path):
            return value
        if "://" not in str(value):
            return Path(str(value))
        from pipeline.core.places import place

        return place(str(value))


#: The type of options that name an inbox, a store or another folder.
FOLDER = _Folder()


def open_console() -> Console:
    """The window that a command writes its tables into."""
    from rich.console import Console

    # Piped into a file or a pager there is no width to ask for: wide enough for the widest line of the club summary.
    return Console(width=None if sys.stdout.isatty() else 160)


def has_prefect_api() -> bool:
    """Whether the user has pointed Prefect at a server, without importing Prefect to find out."""
    return bool(os.environ.get("PREFECT_API_URL"))

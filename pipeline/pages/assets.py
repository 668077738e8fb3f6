"""What all pages share: the style sheet and the script."""

from __future__ import annotations

from pathlib import Path

from pipeline.core.places import make_folder

#: In the folder of this name next to this module.
ASSETS = ("pages.css", "pages.js")


def write_assets(folder: Path) -> None:
    """Write style sheet and script into a folder, which is made if absent."""
    make_folder(folder)
    for name in ASSETS:
        (folder / name).write_bytes((Path(__file__).parent / "assets" / name).read_bytes())

"""Write the demo club again: `python -m data.generator`, from the top of the repository."""

from __future__ import annotations

import shutil
from pathlib import Path

from .club import write_club

DATA = Path(__file__).resolve().parents[1]


def main() -> None:
    """Replace `data/club/` and `data/truth.csv`."""
    shutil.rmtree(DATA / "club", ignore_errors=True)
    write_club(DATA)


if __name__ == "__main__":
    main()

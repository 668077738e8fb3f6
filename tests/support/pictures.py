"""Pictures of the pages, for README.md: `python -m tests.support.pictures STORE FOLDER` writes them as PNG.

Of the demo store, whose athletes are invented. Each is cut at a height that can be read at a glance.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.support.browser import PAPER, WIDE, Watched, launched

#: Of whom, and which of the athlete's runs.
ATHLETE, RUN = "brine", "20260315*.html"
NARROW = {"width": 1100, "height": 900}
PHONE = {"width": 390, "height": 844}


def take(store: Path, folder: Path) -> None:
    """Write the pictures of a store into a folder."""
    pages = (store / "pages").resolve()
    athlete = pages / "athletes" / ATHLETE / "index.html"
    [run] = athlete.parent.glob(RUN)
    shots = {
        "index-light": (pages / "index.html", "light", WIDE, 1250),
        "athlete-light": (athlete, "light", NARROW, 960),
        "athlete-dark": (athlete, "dark", NARROW, 960),
        "athlete-phone": (athlete, "light", PHONE, 1700),
        "run-light": (run, "light", NARROW, 1250),
        "athlete-print": (athlete, "print", PAPER, PAPER["height"]),
    }
    folder.mkdir(parents=True, exist_ok=True)
    with launched() as browser:
        for name, (file, form, size, height) in shots.items():
            watched = Watched(browser, viewport=size, color_scheme="dark" if form == "dark" else "light")
            page = watched.open(file)
            if form == "print":
                page.emulate_media(media="print")
                watched.drawn()
            whole = int(page.evaluate("document.documentElement.scrollHeight"))
            clip = {"x": 0, "y": 0, "width": size["width"], "height": min(height, whole)}
            page.screenshot(path=folder / f"{name}.png", full_page=True, clip=clip)  # type: ignore[arg-type]
            watched.close()
            print(f"{name}.png: {(folder / f'{name}.png').stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    take(Path(sys.argv[1]), Path(sys.argv[2]))

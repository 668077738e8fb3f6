"""What all pages share: the style sheet, the script of the pages, the charts, and the library that draws them.

The library (Vega and Vega-Lite) comes out of vl-convert, which holds it, so that nothing is fetched. Getting it out
takes a second and describing the charts half a one, so both are kept in the user's cache.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

from pipeline.core.places import make_folder, replacing

#: Our own, in the folder of this module.
_OWN = ("pages.css", "pages.js")


def write_assets(folder: Path, shoes: Sequence[str]) -> None:
    """Write style sheet and scripts into a folder, which is made if absent.

    Args:
        shoes: of the club, in the order in which they get their colours; every page has them from here, since a new
            shoe of one athlete is no reason to draw the pages of all.
    """
    make_folder(folder)
    for name in _OWN:
        (folder / name).write_bytes((Path(__file__).parent / "assets" / name).read_bytes())
    source = (Path(__file__).parent / "charts.py").read_bytes()
    made = {
        "vega.js": _kept("vega", version("vl-convert-python"), _library),
        "shoes.js": f"window.SHOES = {json.dumps(list(shoes))};\n",
        "charts.js": _kept("charts", f"{version('altair')} {hashlib.sha256(source).hexdigest()}", _charts),
    }
    for name, text in made.items():
        (folder / name).write_text(text, encoding="utf-8")


def _library() -> str:
    import vl_convert

    return str(vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;"))


def _charts() -> str:
    from pipeline.pages.charts import specifications

    return f"window.CHARTS = {json.dumps(specifications(), sort_keys=True)};\n"


def _kept(name: str, made_of: str, make: Callable[[], str]) -> str:
    """What was made of the same before, if this machine still has it whole; else it is made, and kept if there is room.

    Its digest stands before it: a power cut can leave a file of a right name and wrong content.
    """
    # Without a home there is a RuntimeError, and what is damaged may be no text, a ValueError.
    with suppress(OSError, RuntimeError, ValueError):
        file = _cache() / f"{name}-{_digest(made_of)[:16]}.js"
        digest, _, text = file.read_text(encoding="utf-8").partition("\n")
        if digest == _digest(text):
            return text
    text = make()
    with suppress(OSError, RuntimeError):
        file = _cache() / f"{name}-{_digest(made_of)[:16]}.js"
        file.parent.mkdir(parents=True, exist_ok=True)
        with replacing(file) as temporary:
            temporary.write_text(f"{_digest(text)}\n{text}", encoding="utf-8")
    return text


def _cache() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser()) / "splitdrift"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()

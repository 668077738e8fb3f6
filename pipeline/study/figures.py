"""The figures of a study: as SVG in the report, which is one file that can be printed, and as files of their own.

`templates/figures.json` has a chart of each kind in Vega-Lite, with `$x` and `$y` for the titles of its axes, and what
all have in common: no labels for every mark, which would be noise beside the report's description of a figure.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import vl_convert

from pipeline.study.results import Figure

_CHARTS = Path(__file__).with_name("templates") / "figures.json"
#: Colours by meaning, as the style sheet of the pages names them for light, dark and paper; those of single files.
OWN_COLOURS = {
    "var(--ink)": "#1d2126", "var(--soft)": "#5a6169", "var(--grid)": "#e6e3dc", "var(--change)": "#b5410c",
}  # fmt: skip


def draw_svg(figure: Figure, *, inside: bool = False) -> str:
    """A figure as SVG; the same bytes for the same data.

    Args:
        inside: with colours of its own, for a file; otherwise with those of the report's style sheet.
    """
    picture = str(vl_convert.vegalite_to_svg(_specification(figure)))
    return _in_own_colours(picture) if inside else picture


def draw_pdf(figure: Figure) -> bytes:
    """A figure as PDF; the same bytes for the same data."""
    specification = json.loads(_in_own_colours(json.dumps(_specification(figure))))
    pdf = bytes(vl_convert.vegalite_to_pdf(specification))
    # The library lists resources by name in random order; sorted, everything stays at its place in the file.
    return re.sub(rb"(?:^ +/\w+ \d+ 0 R\n)+", lambda match: b"".join(sorted(match[0].splitlines(keepends=True))), pdf,
                  flags=re.MULTILINE)  # fmt: skip


def figure_files(figures: Sequence[Figure]) -> dict[str, Figure]:
    """Figures by the name of their files: a number in the order of the report, and what they show."""
    return {
        f"{place:02}-{re.sub(r'[^a-z0-9]+', '-', figure.title.lower()).strip('-')[:60]}": figure
        for place, figure in enumerate(figures, start=1)
    }


def _specification(figure: Figure) -> dict[str, Any]:
    charts = _CHARTS.read_text(encoding="utf-8")
    for axis, title in figure.titles.items():
        charts = charts.replace(f'"${axis}"', json.dumps(title))
    chart = json.loads(charts)
    # The line at zero is drawn once, not once per point.
    datasets: dict[str, Any] = {"once": [{}]} | {name: list(rows) for name, rows in figure.data.items()}
    return {**chart[figure.kind], **chart["all"], "datasets": datasets}


def _in_own_colours(text: str) -> str:
    for name, colour in OWN_COLOURS.items():
        text = text.replace(name, colour)
    return text

"""The figures of a study: as SVG in the report, which is one file that can be printed, and as files of their own."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import altair as alt
import vl_convert

from pipeline.study.results import Figure

WIDTH, HEIGHT = 420, 260
#: Colours by meaning, as the style sheet of the pages names them; it has them for light, dark and paper.
INK, SOFT, GRID, CHANGE = (f"var(--{name})" for name in ("ink", "soft", "grid", "change"))
CONFIG: dict[str, Any] = {
    "background": "transparent",
    "aria": False,  # the report describes a figure in words; a label for every mark would be noise
    "font": "system-ui, sans-serif",
    "axis": {
        "labelColor": INK, "titleColor": INK, "gridColor": GRID, "domainColor": SOFT, "tickColor": SOFT,
        "titleFontWeight": "normal", "labelFontSize": 12, "titleFontSize": 12,
    },
    "view": {"stroke": None},
}  # fmt: skip


#: The same colours where no style sheet names them: in files of their own.
OWN_COLOURS = {INK: "#1d2126", SOFT: "#5a6169", GRID: "#e6e3dc", CHANGE: "#b5410c"}


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
    chart = _CHARTS[figure.kind](figure)
    specification: dict[str, Any] = chart.properties(width=WIDTH, height=HEIGHT).to_dict()
    # The line at zero is drawn once, not once per point.
    specification["datasets"] = {"once": [{}]} | {name: list(rows) for name, rows in figure.data.items()}
    return specification | {"config": CONFIG}


def _in_own_colours(text: str) -> str:
    for name, colour in OWN_COLOURS.items():
        text = text.replace(name, colour)
    return text


def _pairs(figure: Figure) -> Any:
    return (
        alt.Chart(alt.NamedData("pairs"))
        .mark_line(color=INK, opacity=0.6, point=alt.OverlayMarkDef(color=INK, size=25))
        .encode(
            x=alt.X("stretch:N", sort=None, title=None, axis=alt.Axis(labelAngle=0)),
            y=alt.Y("value:Q", title=figure.titles["y"], scale=alt.Scale(zero=False)),
            detail="unit:N",
        )
    )


def _points(figure: Figure) -> Any:
    points = (
        alt.Chart(alt.NamedData("points"))
        .mark_point(color=CHANGE, filled=True, size=12, opacity=0.6)
        .encode(
            x=alt.X("x:Q", title=figure.titles["x"], scale=alt.Scale(zero=False)),
            y=alt.Y("y:Q", title=figure.titles["y"]),
        )
    )
    return alt.layer(alt.Chart(alt.NamedData("once")).mark_rule(color=SOFT).encode(y=alt.YDatum(0)), points)


def _lines(figure: Figure) -> Any:
    """Athletes' lines, thin, and over them what is estimated of all."""
    x, y = alt.X("x:Q", title=figure.titles["x"]), alt.Y("y:Q", title=figure.titles["y"], scale=alt.Scale(zero=False))
    athletes = alt.Chart(alt.NamedData("lines")).mark_line(color=SOFT, opacity=0.4, strokeWidth=1)
    estimate = alt.Chart(alt.NamedData("estimate")).mark_line(color=CHANGE, strokeWidth=3)
    rules = alt.Chart(alt.NamedData("rules")).mark_rule(color=CHANGE, strokeDash=[4, 4]).encode(x="x:Q")
    return alt.layer(athletes.encode(x=x, y=y, detail="unit:N"), estimate.encode(x=x, y=y), rules)


def _intervals(figure: Figure) -> Any:
    """Estimates with their intervals, one per row, and the margins that they are held against."""
    x = alt.X("value:Q", title=figure.titles["x"], scale=alt.Scale(zero=False))
    row = alt.Y("label:N", title=None, sort=None)
    rows = alt.Chart(alt.NamedData("rows"))
    margins = alt.Chart(alt.NamedData("rules")).mark_rule(color=CHANGE, strokeDash=[4, 4]).encode(x="x:Q")
    return alt.layer(
        margins,
        rows.mark_rule(color=INK, strokeWidth=2).encode(x=alt.X("low:Q"), x2="high:Q", y=row),
        rows.mark_point(color=INK, filled=True, size=70, opacity=1).encode(x=x, y=row),
    )


_CHARTS: Mapping[str, Callable[[Figure], Any]] = {
    "pairs": _pairs, "points": _points, "lines": _lines, "intervals": _intervals,
}  # fmt: skip

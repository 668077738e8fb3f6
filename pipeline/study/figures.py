"""The figures of a study's report: drawn as SVG, so that the report is one file that can be printed."""

from __future__ import annotations

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


def draw_svg(figure: Figure) -> str:
    """A figure as SVG; the same bytes for the same data."""
    chart = {"pairs": _pairs, "points": _points}[figure.kind](figure)
    specification = chart.properties(width=WIDTH, height=HEIGHT).to_dict()
    # The line at zero is drawn once, not once per point.
    specification["datasets"] = {"once": [{}]} | {name: list(rows) for name, rows in figure.data.items()}
    return str(vl_convert.vegalite_to_svg(specification | {"config": CONFIG}))


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

"""The charts of the pages as Altair specifications, drawn in the browser from the data in each page.

One specification per chart, shared by all pages; `pipeline/pages/assets/pages.js` gives it data, width and the titles
that depend on the metric. Colours are names of the style sheet, so that light, dark and print share one
specification; colour is never the only way that two things are told apart.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import altair as alt

from pipeline.tables.observed import STRIKES

#: Altair has several chart classes, which its own type hints mix up.
Chart = Any

#: Colours by meaning; `pages.css` gives them for light, dark and paper.
INK, SOFT, GRID, PACE, HILL, REST, BAND = (
    f"var(--{name})" for name in ("ink", "soft", "grid", "pace", "hill", "rest", "band")
)
#: For shoes and surfaces, the same for all athletes: pages.js assigns them. What is not listed is soft and hollow.
SERIES = [f"var(--series-{place})" for place in range(1, 7)]
SHAPES = ["circle", "square", "triangle-up", "diamond", "cross", "triangle-down"]

CONFIG: dict[str, Any] = {
    "background": "transparent",
    "aria": False,  # the page describes the chart in words; a label for every mark would be noise
    "font": "system-ui, sans-serif",
    "axis": {
        "labelColor": INK, "titleColor": INK, "gridColor": GRID, "domainColor": SOFT, "tickColor": SOFT,
        "titleFontWeight": "normal", "labelFontSize": 12, "titleFontSize": 12,
    },
    "legend": {"labelColor": INK, "titleColor": INK, "orient": "top",
        "symbolBaseFillColor": SOFT, "symbolBaseStrokeColor": SOFT, "labelFontSize": 12, "titleFontSize": 12},
    "header": {"labelColor": INK, "titleColor": INK, "labelFontSize": 12},
    "text": {"color": INK},
    "title": {"color": INK},
    "view": {"stroke": GRID},
}  # fmt: skip


def specifications() -> dict[str, Any]:
    """Every chart as Vega-Lite, by the name that pages use."""
    by_name = {}
    for name, chart in _CHARTS.items():
        specification = chart().to_dict()
        specification.pop("$schema")  # a URL, which a page that requests nothing does not need
        by_name[name] = specification | {"config": CONFIG}
    return by_name


def _zero(data: str) -> Chart:
    return alt.Chart(alt.NamedData(data)).mark_rule(color=SOFT).encode(x=alt.XDatum(0))


def _club() -> Chart:
    """One line per athlete: the change of one metric with its interval."""
    base = alt.Chart(alt.NamedData("club")).encode(
        y=alt.Y("athlete:N", sort=alt.EncodingSortField("order", op="min"), title=None, axis=alt.Axis(labelLimit=160)),
        tooltip=["athlete:N", "finding:N", alt.Tooltip("change:Q", format="+.1f"), "interval:N"],
    )
    # What is too small to matter.
    matters = (
        alt.Chart(alt.NamedData("matters")).mark_rect(color=BAND, opacity=0.35).encode(x="low:Q", x2=alt.X2("high:Q"))
    )
    interval = base.mark_rule(color=INK, strokeWidth=2).encode(
        x=alt.X("low:Q", title="change per 10 km at equal speed and slope, %", axis=alt.Axis(orient="top")),
        x2=alt.X2("high:Q"),
    )
    value = base.mark_point(filled=True, size=70, color=INK).encode(
        x="change:Q",
        shape=alt.Shape(
            "finding:N",
            title=None,
            scale=alt.Scale(
                domain=["rises", "falls", "changes late", "holds", "not clear"],
                range=["triangle-up", "triangle-down", "diamond", "square", "cross"],
            ),
        ),
    )
    return alt.layer(matters, _zero("matters"), interval, value)


def _parts() -> Chart:
    """One group of bars per metric: the measured change and its parts."""
    names = ["pace", "hill", "what remains"]
    base = alt.Chart(alt.NamedData("parts")).encode(
        y=alt.Y("metric:N", sort=alt.EncodingSortField("order", op="min"), title=None, axis=alt.Axis(labelLimit=160))
    )
    bars = base.mark_bar(height=alt.RelativeBandSize(0.6)).encode(
        x=alt.X("percent:Q", title="change per 10 km, %"),
        yOffset=alt.YOffset("part:N", sort=names),
        color=alt.Color("part:N", title=None, scale=alt.Scale(domain=names, range=[PACE, HILL, REST])),
        tooltip=["metric:N", "part:N", alt.Tooltip("percent:Q", format="+.1f")],
    )
    in_all = (
        alt.Chart(alt.NamedData("in_all"))
        .mark_tick(color=INK, thickness=3, height=alt.RelativeBandSize(0.95))
        .encode(
            y=alt.Y("metric:N", sort=alt.EncodingSortField("order", op="min"), title=None),
            x="percent:Q",
            tooltip=["metric:N", alt.Tooltip("percent:Q", format="+.1f", title="in all")],
        )
    )
    return alt.layer(bars, in_all, _zero("in_all"))


def _pacing() -> Chart:
    """How speed changes, and its two factors."""
    base = alt.Chart(alt.NamedData("pacing")).encode(
        y=alt.Y("part:N", sort=None, title=None, axis=alt.Axis(labelLimit=160)),
        tooltip=["part:N", alt.Tooltip("percent:Q", format="+.1f"), "interval:N"],
    )
    return alt.layer(
        base.mark_rule(color=INK, strokeWidth=2).encode(x=alt.X("low:Q", title="change per 10 km, %"), x2="high:Q"),
        base.mark_point(filled=True, size=70, color=INK).encode(x="percent:Q"),
        _zero("pacing"),
    )


def _runs() -> Chart:
    """One small panel per run: the splits at equal speed and slope, the run's line, its band, its onset."""
    data = alt.NamedData("runs")
    x = alt.X("distance:Q", title=None, axis=alt.Axis(grid=False, tickCount=4))
    y = alt.Y("percent:Q", title=None, axis=alt.Axis(tickCount=4))
    base = alt.Chart(data)
    lines = base.transform_filter("datum.kind == 'line'")
    bands = base.transform_filter("datum.kind == 'band'")
    layers = alt.layer(
        bands.mark_area(color=BAND, opacity=0.45).encode(x, alt.Y("low:Q"), alt.Y2("high:Q")),
        lines.mark_line(color=REST, strokeWidth=2).encode(x, y),
        base.transform_filter("datum.kind == 'split'").mark_point(color=INK, size=12, filled=True).encode(x, y),
        base.transform_filter("datum.kind == 'onset'").mark_rule(color=INK, strokeDash=[4, 3]).encode(x),
    )
    return layers.properties(width=150, height=100).facet(
        facet=alt.Facet("run:N", sort=alt.EncodingSortField("order", op="min"), title=None), columns=5
    )


def _curve() -> Chart:
    """The level against speed: the athlete's own curve when fresh, and where early and late splits lie."""
    thirds = ["first", "last"]
    x = alt.X("speed:Q", title="speed", scale=alt.Scale(zero=False))
    points = (
        alt.Chart(alt.NamedData("points"))
        .mark_point(filled=True, opacity=0.8)
        .encode(
            x=x,
            y=alt.Y("value:Q", title="level", scale=alt.Scale(zero=False, padding=12)),
            color=alt.Color("part:N", title="third of the run", scale=alt.Scale(domain=thirds, range=[PACE, HILL])),
            shape=alt.Shape(
                "part:N", title="third of the run", scale=alt.Scale(domain=thirds, range=["circle", "triangle-up"])
            ),
            tooltip=["run:N", alt.Tooltip("distance:Q", format=".1f"), alt.Tooltip("value:Q", format=".4~g")],
        )
    )
    curve = (
        alt.Chart(alt.NamedData("curve"))
        .mark_line(color=INK, strokeWidth=2, strokeDash=[6, 3])
        .encode(x=x, y="value:Q", order="order:Q")
    )
    return alt.layer(points, curve)


def _day(name: str) -> Chart:
    # The day in UTC, as in the tables: the time zone of the viewer would shift it.
    return alt.X(f"{name}:T", title=None, scale=alt.Scale(type="utc"))


def _season() -> Chart:
    """Drift of runs by date, by month, and the complaints."""
    complaint = (
        alt.Chart(alt.NamedData("complaints"))
        .mark_rect(color=SOFT, fillOpacity=0.18, stroke=SOFT, strokeDash=[3, 3])
        .encode(x=_day("from"), x2=alt.X2("to:T"), tooltip=["site:N", "note:N"])
    )
    site = (
        alt.Chart(alt.NamedData("complaints"))
        .mark_text(align="left", baseline="top", dx=3, dy=3, angle=0, fontSize=11)
        .encode(x=_day("from"), y=alt.value(0), text="site:N")
    )
    runs = alt.Chart(alt.NamedData("season")).encode(x=_day("date"))
    interval = runs.mark_rule(color=SOFT).encode(y=alt.Y("low:Q", title="change per 10 km, %"), y2=alt.Y2("high:Q"))
    values = [
        runs.transform_filter(which)
        .mark_point(filled=filled, size=60)
        .encode(
            y="percent:Q",
            color=alt.Color("shoe:N", title="shoe", scale=alt.Scale(range=SERIES)),
            shape=alt.Shape("surface:N", title="surface", scale=alt.Scale(range=SHAPES)),
            tooltip=["run:N", alt.Tooltip("percent:Q", format="+.1f"), "shoe:N", "surface:N"],
        )
        for which, filled in (("datum.listed", True), ("!datum.listed", False))
    ]
    months = alt.Chart(alt.NamedData("months")).encode(x=_day("from"), x2=alt.X2("to:T"))
    band = months.mark_rect(color=REST, opacity=0.15).encode(y="low:Q", y2=alt.Y2("high:Q"))
    mean = months.mark_rule(color=REST, strokeWidth=3).encode(y="percent:Q")
    zero = alt.Chart(alt.NamedData("season")).mark_rule(color=SOFT).encode(y=alt.YDatum(0))
    return alt.layer(complaint, band, mean, zero, interval, *values, site)


def _landing() -> Chart:
    """Share of landings by distance."""
    strikes = list(STRIKES)
    return (
        alt.Chart(alt.NamedData("landing"))
        .mark_bar(stroke=SOFT)
        .encode(
            x=alt.X("n:Q", stack="normalize", title="share of landings seen", axis=alt.Axis(format="%")),
            y=alt.Y("distance:N", sort=None, title="distance"),
            color=alt.Color("strike:N", title=None, sort=strikes, scale=alt.Scale(domain=strikes, range=SERIES[:4])),
            order=alt.Order("order:Q"),
            tooltip=["distance:N", "strike:N", "n:Q"],
        )
    )


def _traces() -> Chart:
    """The samples of a run, one quantity; the script stacks the panels."""
    base = alt.Chart(alt.NamedData("trace")).encode(x=alt.X("distance:Q", title="distance"))
    walked = base.transform_filter("datum.run_share < 0.5").mark_tick(color=HILL, opacity=0.5, thickness=2, height=60)
    line = base.mark_line(color=INK, strokeWidth=1.2).encode(
        y=alt.Y("value:Q", title=None, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=4)),
        tooltip=[alt.Tooltip("distance:Q", format=".2f"), alt.Tooltip("value:Q", format=".4~g")],
    )
    return alt.layer(walked, line).properties(height=70)


_CHARTS: Mapping[str, Callable[[], Chart]] = {
    "club": _club,
    "parts": _parts,
    "pacing": _pacing,
    "runs": _runs,
    "curve": _curve,
    "season": _season,
    "landing": _landing,
    "traces": _traces,
}

"""Altair charts for notebooks: what was recorded along a run, and how an athlete's metrics change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt

#: Altair has several chart classes, which its own type hints mix up.
Chart = Any
Rows = Sequence[Mapping[str, Any]]

INK, SOFT, CHANGE = "#1f2933", "#9aa5b1", "#b4400d"
#: Greys for what is explained, the one colour for what is left.
PART_COLOURS = {"pace": "#9aa5b1", "hill": "#616e7c", "what remains": CHANGE}


def run_chart(panels: Sequence[tuple[str, str, Rows]]) -> Chart:
    """What was recorded along a run, one panel per quantity.

    Args:
        panels: name of the quantity, title, and rows of `distance` [km], `value` and `run_share`.
    """
    drawn = [
        alt.layer(_walked(name), _line(name)).properties(title=title, width=640, height=70) for name, title, _ in panels
    ]
    chart = alt.vconcat(*drawn)
    chart.datasets = {name: list(rows) for name, _, rows in panels}
    return chart


def _line(name: str) -> Chart:
    return (
        alt.Chart(alt.NamedData(name))
        .mark_line(color=INK, strokeWidth=1.2)
        .encode(
            x=alt.X("distance:Q", title="distance, km"),
            y=alt.Y("value:Q", title=None, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=4)),
            tooltip=[alt.Tooltip("distance:Q", format=".2f"), alt.Tooltip("value:Q", format=".4~g")],
        )
    )


def _walked(name: str) -> Chart:
    return (
        alt.Chart(alt.NamedData(name))
        .transform_filter("datum.run_share < 0.5")
        .mark_tick(color=SOFT, thickness=2, height=60)
        .encode(x="distance:Q")
    )


def athlete_chart(title: str, parts: Rows, in_all: Rows) -> Chart:
    """An athlete's change per 10 km: the parts by pace, by hills and what remains as bars, in all as a tick.

    Args:
        parts: rows of `metric`, `order`, `part` and `percent`.
        in_all: rows of `metric`, `order` and `percent`.
    """
    metric = alt.Y("metric:N", sort=alt.EncodingSortField("order", op="min"), title=None)
    names = list(PART_COLOURS)
    bars = (
        alt.Chart(alt.NamedData("parts"))
        .mark_bar(height=alt.RelativeBandSize(0.6))
        .encode(
            x=alt.X("percent:Q", title="change per 10 km, %"),
            y=metric,
            yOffset=alt.YOffset("part:N", sort=names),
            color=alt.Color("part:N", title=None, scale=alt.Scale(domain=names, range=list(PART_COLOURS.values()))),
            tooltip=["metric:N", "part:N", alt.Tooltip("percent:Q", format="+.1f")],
        )
    )
    ticks = (
        alt.Chart(alt.NamedData("in_all"))
        .mark_tick(color=INK, thickness=3, height=alt.RelativeBandSize(0.95))
        .encode(x="percent:Q", y=metric, tooltip=["metric:N", alt.Tooltip("percent:Q", format="+.1f", title="in all")])
    )
    zero = alt.Chart(alt.NamedData("in_all")).mark_rule(color=SOFT).encode(x=alt.XDatum(0))
    chart = alt.layer(bars, ticks, zero).properties(title=title, width=480)
    chart.datasets = {"parts": list(parts), "in_all": list(in_all)}
    return chart

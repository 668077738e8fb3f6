"""Small marks inside tables: a change with its interval, a run against the usual, the months of a season.

All marks of a column share one scale, from the negative to the positive `span`; the middle is zero. They are drawn in
200 by 20 and stretched, as the pictures are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from pipeline.pages.picture import Scale, round_step

_WIDTH, _MIDDLE = 200, 10


def span_of(values: Iterable[float | None], margin: float) -> float:
    """The span of a column: round, and large enough for nearly all of its values and for twice the margin.

    One in twenty may lie beyond, or an athlete with three short runs would press the others into the middle.
    """
    sizes = sorted(abs(value) for value in values if value is not None)
    largest = sizes[int(0.95 * (len(sizes) - 1))] if sizes else 0.0
    return round_step(max(1.1 * largest, 2 * margin, 0.1)) if largest or margin else 1.0


def _place(value: float, span: float) -> int:
    at = Scale(-span, span).at(value) * _WIDTH / 1000
    return round(min(max(at, 0.0), _WIDTH))


def scale_symbol(name: str, margin: float, span: float) -> Markup:
    """What all marks of a column stand on: the margin and zero; referred to by its name."""
    low, high, zero = (_place(value, span) for value in (-margin, margin, 0.0))
    return Markup(
        f'<symbol id="{name}" viewBox="0 0 {_WIDTH} 20" preserveAspectRatio="none">'
        f'<path d="M{low} 0H{high}V20H{low}Z" class="margin"/><path d="M{zero} 0V20" class="zero"/></symbol>'
    )


def change_mark(row: Mapping[str, Any], span: float, symbol: str) -> Markup:
    """A change with its interval, its colour that of the cell; hollow where the finding is open.

    Args:
        row: of `athlete_drift`.
    """
    value, low, high = (row[name] for name in ("drift_pct_per_10km", "drift_low", "drift_high"))
    at = _place(value, span)
    interval = "" if low is None or high is None else f'<path d="M{_place(low, span)} 10H{_place(high, span)}"/>'
    hole = f'<path d="M{at} 10h0" class="h"/>' if row["finding"] == "unclear" else ""
    return _mark(f'<use href="#{symbol}"/>{interval}<path d="M{at} 10h0" class="d"/>{hole}')


def usual_mark(value: float, low: float | None, high: float | None, span: float, symbol: str) -> Markup:
    """The change along a run, over the interval that is usual."""
    usual = ""
    if low is not None and high is not None:
        left, right = _place(low, span), _place(high, span)
        usual = f'<path d="M{left} 4H{right}V16H{left}Z" class="usual"/>'
    return _mark(f'<use href="#{symbol}"/>{usual}<path d="M{_place(value, span)} 10h0" class="d"/>')


def season_mark(values: Sequence[float], span: float) -> Markup:
    """The months of a season as a line."""
    if len(values) < 2:
        return Markup("")
    points = "L".join(
        f"{round(place * _WIDTH / (len(values) - 1))} {round(20 - _place(value, span) / 10)}"
        for place, value in enumerate(values)
    )
    return _mark(f'<path d="M0 {_MIDDLE}H{_WIDTH}" class="zero"/><path d="M{points}"/>')


def _mark(inside: str) -> Markup:
    # The number or word next to it says the same.
    return Markup(
        f'<svg class="mini" viewBox="0 0 {_WIDTH} 20" preserveAspectRatio="none" aria-hidden="true">{inside}</svg>'
    )

"""Small marks inside tables: a change with its interval, a run against the usual, the months of a season.

All marks of a column share one scale, from the negative to the positive `span`; the middle is zero. Places are percent
of the width of the cell; heights and colours are in `pages.css`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

from markupsafe import Markup, escape

from pipeline.pages.picture import round_step

_EMPTY = Markup("")


def span_of(values: Iterable[float | None], margin: float) -> float:
    """The span of a column: round, and large enough for nearly all of its values and for twice the margin.

    One in twenty may lie beyond, or an athlete with three short runs would press the others into the middle.
    """
    sizes = sorted(abs(value) for value in values if value is not None)
    largest = sizes[math.ceil(0.95 * len(sizes)) - 1] if sizes else 0.0
    return round_step(max(1.1 * largest, 2 * margin, 0.1)) if largest or margin else 1.0


def place(value: float, span: float) -> int:
    """The place of a value in percent of the width; what lies beyond the span is at its end."""
    return round(min(max(50 * (1 + value / span), 0.0), 100.0))


def scale_symbol(name: str, margin: float, span: float) -> Markup:
    """What all marks of a column stand on: the margin and zero; referred to by its name."""
    limit = ""
    if margin:
        low, high = place(-margin, span), place(margin, span)
        limit = f'<rect class="margin" x="{low}%" width="{high - low}%"/>'
    return Markup(f'<symbol id="{name}">{limit}<rect class="zero" x="50%"/></symbol>')


def change_mark(row: Mapping[str, Any], span: float, symbol: str) -> Markup:
    """A change with its interval; its colour is that of the cell.

    Args:
        row: of `athlete_drift`.
    """
    value, low, high = (row[name] for name in ("drift_pct_per_10km", "drift_low", "drift_high"))
    return _mark(symbol, _bar("", low, high, span), place(value, span))


def usual_mark(row: Mapping[str, Any], span: float, symbol: str) -> Markup:
    """The change along a run, over the interval that is usual.

    Args:
        row: of `run_against_usual`.
    """
    usual = _bar(' class="usual"', row["usual_low"], row["usual_high"], span)
    return _mark(symbol, usual, place(row["drift_pct_per_10km"], span))


def season_mark(values: Sequence[float], span: float) -> Markup:
    """The months of a season as a line."""
    if len(values) < 2:
        return _EMPTY
    points = "L".join(
        f"{round(100 * month / (len(values) - 1))} {20 - round(place(value, span) / 5)}"
        for month, value in enumerate(values)
    )
    return Markup(
        '<svg class="mini" viewBox="0 0 100 20" preserveAspectRatio="none"><path d="M0 10H100" class="zero"/>'
        f'<path d="M{points}"/></svg>'
    )


def key_to_marks(marks: Sequence[tuple[str, str]]) -> Markup:
    """The key to the marks of a picture: the kind of each and what it means."""
    return _key(tuple(marks))


@lru_cache(maxsize=256)
def _key(marks: tuple[tuple[str, str], ...]) -> Markup:
    swatches = [f"<li>{_swatch(kind)}{escape(text)}</li>" for kind, text in marks]
    return Markup(f'<ul class="key">{"".join(swatches)}</ul>')


def _swatch(kind: str) -> str:
    """A mark of a kind, as it is in pictures."""
    if kind == "event":
        mark = '<path d="M12 0V12" class="event"/>'
    elif kind in ("margin", "complaint", "expected", "onset", "left-out"):
        mark = f'<path d="M0 1H24V11H0Z" class="{kind}"/>'
    elif kind in ("mean", "month"):
        mark = f'<path d="M0 2H24V10H0Z" class="interval"/><path d="M0 6H24" class="{kind}"/>'
    elif kind.split(maxsplit=1)[0] in ("early", "late"):
        mark = f'<path d="M12 6h0" class="{kind}"/>'
    elif kind in ("point", "unusual"):
        mark = f'<path d="M12 0V12" class="error"/><g class="point {kind}"><path d="M12 6h0"/></g>'
    else:
        mark = f'<path d="M0 6H24" class="{kind}"/>'
    return f'<svg class="swatch" viewBox="0 0 24 12" width="24" height="12" aria-hidden="true">{mark}</svg>'


def _bar(kind: str, low: float | None, high: float | None, span: float) -> str:
    if low is None or high is None:
        return ""
    left = place(low, span)
    return f'<rect{kind} x="{left}%" width="{max(place(high, span) - left, 1)}%"/>'


def _mark(symbol: str, bar: str, at: int) -> Markup:
    # The number or word next to it says the same.
    return Markup(f'<svg class="mini"><use href="#{symbol}"/>{bar}<circle cx="{at}%"/></svg>')

"""Rows of tables as HTML: many cells, which a template would take ten times as long to write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import islice
from typing import Any

from markupsafe import Markup, escape

Column = tuple[str, str, str, str]


def table(label: str, rows: Sequence[Mapping[str, Any]], columns: Sequence[Column]) -> Markup:
    """A table.

    Args:
        label: its caption.
        columns: of each the key in the rows, the class of its cells (`row` for the head of the row, `html` for what is
            not escaped), its heading and its unit.
    """
    head, form = _frame(label, tuple(columns))
    n, written = len(rows), iter(_escaped([row[key] for key, kind, *_ in columns if kind != "html" for row in rows]))
    cells = [[row[key] for row in rows] if kind == "html" else list(islice(written, n)) for key, kind, *_ in columns]
    body = "\n".join([form % row for row in zip(*cells, strict=True)])
    return Markup(f"{head}{body}\n</tbody>\n</table>\n</div>\n")


@lru_cache(maxsize=64)
def _frame(label: str, columns: tuple[Column, ...]) -> tuple[str, str]:
    """What stands above the rows of a table, and the form of a row."""
    shown = escape(label)
    head = heads([(heading, unit, kind if kind not in ("row", "html") else "") for _, kind, heading, unit in columns])
    opening = (
        f'<div class="wide" role="region" aria-label="{shown}" tabindex="0">\n<table>\n<caption>{shown}</caption>\n'
        f"<thead><tr>\n{head}</tr></thead>\n<tbody>\n"
    )
    cells = "".join(_CELLS.get(kind) or f'<td class="{kind}">%s</td>' for _, kind, _, _ in columns)
    return opening, f"<tr>{cells}</tr>"


def heads(headings: Sequence[tuple[str, str, str]]) -> Markup:
    """The heads of columns: heading, unit, class."""
    return _heads(tuple(headings))


@lru_cache(maxsize=64)
def _heads(headings: tuple[tuple[str, str, str], ...]) -> Markup:
    of_class = {kind: f' class="{escape(kind)}"' if kind else "" for *_, kind in headings}
    return Markup(
        "\n".join(
            f'<th scope="col"{of_class[kind]}>{escape(heading)}'
            + (f' <span class="unit">{escape(unit)}</span>' if unit else "")
            + "</th>"
            for heading, unit, kind in headings
        )
    )


_CELLS = {"row": '<th scope="row">%s</th>', "html": "<td>%s</td>", "": "<td>%s</td>"}
_BETWEEN = "\x1f"


def _escaped(values: Sequence[object]) -> list[str]:
    """Values as escaped texts; one call for all of them."""
    if not values:
        return []
    texts = _BETWEEN.join(map(str, values))
    if texts.count(_BETWEEN) >= len(values):
        texts = _BETWEEN.join(str(value).replace(_BETWEEN, " ") for value in values)
    return str(escape(texts)).split(_BETWEEN)


def against_html(comparison: str, title: str, mark: str, word: str) -> Markup:
    """A run against the usual in one fact: mark and word."""
    shown = f'{mark}<span class="word">{escape(word)}</span>'
    return Markup(f'<span class="against {comparison}" title="{escape(title)}">{shown}</span>')

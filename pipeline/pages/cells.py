"""Rows of tables as HTML: many cells, which a template would take ten times as long to write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape


def table_body(rows: Sequence[Mapping[str, Any]], columns: Sequence[tuple[str, str]]) -> Markup:
    """The rows of a table.

    Args:
        columns: of each cell its key in the rows and its class; `row` for the head of the row, `html` for what is not
            escaped.
    """
    form = "".join(_CELLS.get(kind) or f'<td class="{kind}">%s</td>' for _, kind in columns)
    cells = [
        [row[key] for row in rows] if kind == "html" else _escaped([row[key] for row in rows]) for key, kind in columns
    ]
    return Markup("\n".join([f"<tr>{form}</tr>" % row for row in zip(*cells, strict=True)]))


_CELLS = {"row": '<th scope="row">%s</th>', "html": "<td>%s</td>", "": "<td>%s</td>"}
_BETWEEN = "\x1f"


def _escaped(values: Sequence[object]) -> list[str]:
    """Values as escaped texts; one call for all of them."""
    texts = [str(value).replace(_BETWEEN, " ") for value in values]
    return str(escape(_BETWEEN.join(texts))).split(_BETWEEN) if texts else []


def against_html(comparison: str, title: str, mark: str, word: str) -> Markup:
    """A run against the usual in one fact: mark and word."""
    return Markup(
        f'<span class="against {comparison}" title="{escape(title)}">{mark}<span class="word">{escape(word)}</span></span>'
    )

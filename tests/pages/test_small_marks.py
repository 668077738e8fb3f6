"""Small marks: places on one scale per column, cut at its ends."""

from __future__ import annotations

import re
from typing import Any

import pytest

from pipeline.pages.small_marks import (
    change_mark,
    key_to_marks,
    place,
    scale_symbol,
    season_mark,
    span_of,
    usual_mark,
)


def drift(value: float, low: float | None, high: float | None) -> dict[str, Any]:
    return {"drift_pct_per_10km": value, "drift_low": low, "drift_high": high}


@pytest.mark.parametrize(
    ("value", "at"), [(-4.0, 0), (-2.0, 25), (0.0, 50), (1.0, 62), (4.0, 100), (9.0, 100), (-9.0, 0)]
)
def test_zero_is_in_the_middle_and_what_lies_beyond_is_at_the_end(value: float, at: int):
    assert place(value, 4.0) == at


def test_the_span_holds_twice_the_margin_and_nearly_all_values():
    assert span_of([1.0, -1.5, None], 2.0) == 5.0
    assert span_of([4.0, -8.0], 2.0) == 10.0
    assert span_of([], 0.0) == 1.0
    # One of forty is far out and does not press the others together.
    assert span_of([*[3.0] * 39, 80.0], 1.0) == 5.0


def test_a_change_is_a_dot_on_its_interval():
    mark = change_mark(drift(2.0, 1.0, 3.0), 4.0, "s1")
    assert '<use href="#s1"/>' in mark
    assert re.findall(r"<rect.*?/>", mark) == ['<rect x="62%" width="26%"/>']
    assert '<circle cx="75%"/>' in mark
    assert "<rect" not in change_mark(drift(2.0, None, None), 4.0, "s1")


def test_a_run_is_a_dot_over_what_is_usual():
    row = {"drift_pct_per_10km": -4.0, "usual_low": -2.0, "usual_high": 2.0}
    mark = usual_mark(row, 4.0, "run-x")
    assert '<rect class="usual" x="25%" width="50%"/>' in mark
    assert '<circle cx="0%"/>' in mark


def test_a_column_stands_on_its_margin_and_zero():
    assert scale_symbol("s1", 2.0, 4.0) == (
        '<symbol id="s1"><rect class="margin" x="25%" width="50%"/><rect class="zero" x="50%"/></symbol>'
    )
    assert "margin" not in scale_symbol("s1", 0.0, 4.0)


def test_a_season_is_a_line_through_its_months():
    assert 'd="M0 10L50 5L100 0"' in season_mark([0.0, 2.0, 4.0], 4.0)
    assert season_mark([1.0], 4.0) == ""


def test_the_key_has_each_mark_as_it_is_drawn_and_its_text_escaped():
    kinds = ("run latest", "mean", "margin", "early", "unusual", "event")
    found = key_to_marks([(kind, f"<{kind}>") for kind in kinds])
    items = re.findall(r"<li><svg .*?>(.*?)</svg>&lt;(.*?)&gt;</li>", found)
    assert [text for _, text in items] == list(kinds)
    assert [re.findall(r'(?:path|g)[^>]*? class="(.*?)"', marks) for marks, _ in items] == [
        ["run latest"], ["interval", "mean"], ["margin"], ["early"], ["error", "point unusual"], ["event"]
    ]  # fmt: skip

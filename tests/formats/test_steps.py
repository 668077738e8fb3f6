"""Steps left and right: their order, cadence, balance and distance."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.core.reasons import Reason, because
from pipeline.formats.steps import FEET, from_steps


def steps(
    foot: list[str | None], **columns: list[float | None]
) -> tuple[dict[str, list[object]], str | None, tuple[str, ...]]:
    values = {"foot": pl.Series(foot, dtype=pl.String)}
    values |= {name: pl.Series(column, dtype=pl.Float64) for name, column in columns.items()}
    found, damage, remarks = from_steps(values)
    return {name: column.to_list() for name, column in found.items()}, damage, remarks


def test_balance_is_the_share_of_the_left_foot_signed_as_it_is():
    found, _, _ = steps(
        ["left", "right", "left", "right"], contact_time_ms=[260, 240, 250, 250], elapsed_s=[0, 1, 2, 3]
    )
    assert found["contact_balance_pct"] == pytest.approx([52.0, 52.0, 100 * 250 / 490, 50.0])


def test_a_foot_that_lands_twice_is_compared_with_the_one_after():
    found, _, _ = steps(["left", "left", "right"], contact_time_ms=[200, 260, 240], elapsed_s=[0, 1, 2])
    assert found["contact_balance_pct"] == [None, pytest.approx(52.0), pytest.approx(52.0)]


def test_a_balance_of_the_file_is_kept():
    found, _, _ = steps(
        ["left", "right"], contact_time_ms=[260, 240], contact_balance_pct=[49.0, 49.0], elapsed_s=[0, 1]
    )
    assert found["contact_balance_pct"] == [49.0, 49.0]


def test_the_steps_of_one_foot_below_those_of_the_other_are_brought_into_order():
    found, _, _ = steps(
        ["left", "left", "right", "right"], contact_time_ms=[1, 3, 2, 4], elapsed_s=[0.0, 0.7, 0.35, 1.05]
    )
    assert found["contact_time_ms"] == [1.0, 2.0, 3.0, 4.0]
    assert found["foot"] == ["left", "right", "left", "right"]


def test_cadence_is_two_steps_in_the_time_since_the_same_foot():
    found, _, _ = steps(["left", "right", "left", "right"], contact_time_ms=[240] * 4, elapsed_s=[0, 0.3, 0.6, 1.0])
    assert found["cadence_spm"] == [None, None, pytest.approx(200.0), pytest.approx(120 / 0.7)]


def test_distance_is_the_sum_of_the_steps():
    found, _, remarks = steps(["left", "right", "left"], elapsed_s=[0, 0.3, 0.6], step_length_m=[1.0, None, 1.2])
    assert found["distance_m"] == pytest.approx([1.0, 2.0, 3.2])
    assert remarks == (because(Reason.DISTANCE_OF_STEPS), because(Reason.STEPS_WITHOUT_LENGTH, n_steps=1))


def test_of_one_foot_alone_each_row_stands_for_two_steps():
    found, _, remarks = steps(["left"] * 3, contact_time_ms=[240] * 3, flight_time_ms=[60] * 3, step_length_m=[1.0] * 3)
    assert found["elapsed_s"] == pytest.approx([0.6, 1.2, 1.8])
    assert found["distance_m"] == pytest.approx([2.0, 4.0, 6.0])
    assert found["cadence_spm"] == [200.0] * 3
    assert "contact_balance_pct" not in found
    assert remarks[0] == because(Reason.ONE_FOOT)


@pytest.mark.parametrize(
    ("left", "right"), [("L", "R"), ("Links", "Rechts"), ("gauche", "droite"), ("左", "右"), ("sx", "dx")]
)
def test_feet_are_known_by_the_words_of_many_languages(left: str, right: str):
    assert (FEET[left.lower()], FEET[right.lower()]) == ("left", "right")


def test_feet_that_are_not_known_give_no_balance():
    found, _, _ = steps(["0", "1", "0"], contact_time_ms=[260, 240, 260], elapsed_s=[0, 1, 2])
    assert "contact_balance_pct" not in found

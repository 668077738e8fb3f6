"""Numbers as text: which sign is the decimal one, and what is between thousands."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.formats.numbers import COMMA, POINT, Signs, evidence, numbers


def signs(*cells: str, has_separate_commas: bool = False) -> Signs | None:
    return evidence([("a", pl.Series(list(cells)))], has_separate_commas=has_separate_commas).signs


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["1.5"], POINT),
        (["1,5"], COMMA),
        (["1", "2"], POINT),
        (["1.234,5"], Signs(",", ".")),
        (["1,234.5"], Signs(".", ",")),
        (["1,234,567"], Signs(".", ",")),
        (["1.234.567"], Signs(",", ".")),
        (["1,234"], COMMA),  # between semicolons, a comma is the decimal sign of the file's country
        (["0,5", "0.5"], None),
        (["0.5", "1,234"], None),
        (["5:30,5"], COMMA),
    ],
)
def test_the_signs_are_those_that_the_numbers_decide(cells: list[str], expected: Signs | None):
    assert signs(*cells) == expected


@pytest.mark.parametrize(
    ("cells", "expected"), [(["1,5"], COMMA), (["0,123"], COMMA), (["1,234"], None), (["1234,567"], COMMA)]
)
def test_between_commas_three_digits_alone_decide_nothing(cells: list[str], expected: Signs | None):
    assert signs(*cells, has_separate_commas=True) == expected


@pytest.mark.parametrize(
    ("cell", "written", "value"),
    [
        ("1.5", POINT, 1.5),
        ("1,5", COMMA, 1.5),
        ("1.234,5", COMMA, 1234.5),
        ("1.234", Signs(",", "."), 1234.0),
        ("1,234", Signs(".", ","), 1234.0),
        ("12.345.678", COMMA, 12_345_678.0),
        ("1'234.5", POINT, 1234.5),
        ("1 234,5", COMMA, 1234.5),
        ("1\N{NARROW NO-BREAK SPACE}234,5", COMMA, 1234.5),
        ("1,234", POINT, None),  # a thousand, or a wrong sign: not decided here
        ("12.34,5", COMMA, None),
        ("fast", POINT, None),
    ],
)
def test_a_cell_is_a_number_in_the_signs_of_its_file(cell: str, written: Signs, value: float | None):
    assert numbers(pl.Series([cell]), written).to_list() == [value]

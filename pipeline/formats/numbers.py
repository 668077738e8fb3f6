"""Numbers as text: decimal signs and marks between thousands. Text columns in, the signs of the file or numbers out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import polars as pl

#: Blanks of every width, and apostrophes, between groups of three digits are never decimal signs.
_CLEAR_MARKS = r"(\d)[\s'’\u{00A0}\u{2009}\u{202F}](\d{3})"


_FIRST_CELLS = 100


class Signs(NamedTuple):
    """How a file writes its numbers: the decimal sign, and the mark between thousands if it is known."""

    decimal: str
    thousands: str | None = None


POINT, COMMA = Signs("."), Signs(",")


class Evidence(NamedTuple):
    """Headers of columns with a comma, and with a point, between digits; and the signs, None where undecided."""

    with_comma: tuple[str, ...]
    with_point: tuple[str, ...]
    signs: Signs | None


def evidence(columns: Iterable[tuple[str, pl.Series]], *, has_separate_commas: bool) -> Evidence:
    """What the numbers of a file say of its signs.

    A sign with another number of digits behind it than three is the decimal one, and so is the second of two different
    signs; one that occurs twice in a number is none. `1,234` alone decides nothing.

    Args:
        columns: header and cells of the columns that hold numbers.
        has_separate_commas: whether commas are also what separates the cells, so that decimal ones are unusual.
    """
    with_comma, with_point = [], []
    is_decimal, is_thousands = {",": False, ".": False}, {",": False, ".": False}
    for header, cells in columns:
        has_comma, has_point = (_any(cells, rf"\d\{sign}\d", sign) for sign in (",", "."))
        if has_comma:
            with_comma.append(header)
        if has_point:
            with_point.append(header)
        for sign, other, is_present in ((",", r"\.", has_comma), (".", ",", has_point)):
            if not is_present or is_decimal[sign]:
                continue
            literal = rf"\{sign}"
            few_or_many = rf"[\d:]*{literal}(\d{{1,2}}|\d{{4,}})"
            no_group_before = rf"(0|\d{{4,}}){literal}\d+"
            behind_other = rf"\d{{1,3}}({other}\d{{3}})+{literal}\d+"
            is_decimal[sign] = _any(cells, rf"^[-+]?({few_or_many}|{no_group_before}|{behind_other})$", sign)
            if not is_decimal[sign]:
                grouped = rf"^[-+]?\d{{1,3}}(({literal}\d{{3}}){{2,}}|({literal}\d{{3}})+{other}\d+)$"
                is_thousands[sign] |= _any(cells, grouped, sign)
    signs = _settled(with_comma, with_point, is_decimal, is_thousands, has_separate_commas=has_separate_commas)
    return Evidence(tuple(with_comma), tuple(with_point), signs)


def _any(cells: pl.Series, pattern: str, sign: str) -> bool:
    """Whether any cell matches a pattern, all matches of which hold a sign; the first cells mostly decide it."""
    return bool(cells.head(_FIRST_CELLS).str.contains(pattern).any()) or (
        bool(cells.str.contains(sign, literal=True).any()) and bool(cells.str.contains(pattern).any())
    )


def _settled(
    with_comma: list[str],
    with_point: list[str],
    is_decimal: dict[str, bool],
    is_thousands: dict[str, bool],
    *,
    has_separate_commas: bool,
) -> Signs | None:
    for sign, other, with_other in ((",", ".", with_point), (".", ",", with_comma)):
        if is_thousands[other] and not is_decimal[other] and not is_thousands[sign]:
            return Signs(sign, other)
        if is_decimal[sign] and not with_other:
            return Signs(sign)
    if not with_comma:
        return POINT
    if with_point or has_separate_commas:
        return None
    return COMMA


def numbers(cells: pl.Series, signs: Signs) -> pl.Series:
    """Cells as numbers; null where a cell is none."""
    if signs.thousands is None:
        values = with_point(cells, signs).cast(pl.Float64(), strict=False)
        if values.null_count() == cells.null_count():
            return values
    other = "," if signs.decimal == "." else "."
    plain = cells.str.replace_all(_CLEAR_MARKS, "$1$2")
    if signs.thousands in (None, other):
        # Without a known mark, only numbers that are read in one way: with two marks, or with a decimal sign too.
        decimals, least = rf"\{signs.decimal}\d+", 1 if signs.thousands else 2
        shape = rf"^[-+]?\d{{1,3}}((\{other}\d{{3}}){{{least},}}|(\{other}\d{{3}})+{decimals})$"
        is_grouped = plain.str.contains(shape).fill_null(value=False)
        plain = plain.zip_with(~is_grouped, plain.str.replace_all(other, "", literal=True))
    return with_point(plain, signs).cast(pl.Float64(), strict=False)


def with_point(cells: pl.Series, signs: Signs) -> pl.Series:
    """Cells with a decimal point, also those that are more than a number, such as `5:30,5`."""
    return cells if signs.decimal == "." else cells.str.replace(",", ".", literal=True)

"""Sections: a club divided by its athletes' names, so that no step holds the rows of all."""

from __future__ import annotations

import pytest

from pipeline.store import sections
from pipeline.store.sections import Section, section_of, sections_of

NAMES = [None, *(f"athlete-{number:04d}" for number in range(3000))]


@pytest.mark.parametrize(("n_athletes", "n_sections"), [(0, 1), (1, 1), (1024, 1), (1025, 2), (2048, 2), (2049, 4)])
def test_there_are_as_many_as_hold_a_thousand_athletes_each_and_a_power_of_two(n_athletes: int, n_sections: int):
    divided = sections_of(NAMES[1 : n_athletes + 1])
    assert divided == [Section(number, n_sections) for number in range(n_sections)]


@pytest.mark.parametrize("of", [1, 2, 8])
def test_every_athlete_is_in_one_of_them_and_they_are_alike_in_size(of: int):
    sizes = [sum(Section(number, of).holds(name) for name in NAMES) for number in range(of)]
    assert sum(sizes) == len(NAMES)
    assert min(sizes) > 0.8 * len(NAMES) / of


@pytest.mark.parametrize(("before", "now"), [(1, 4), (4, 4), (8, 2), (2, 8)])
def test_the_rows_of_a_section_are_found_where_there_were_fewer_or_more(before: int, now: int):
    for name in NAMES:
        assert section_of(name, before) in section_of(name, now).overlapping(before)
    assert len(Section(1, now).overlapping(before)) == max(1, before // now)


def test_a_small_club_has_files_without_numbers_and_a_large_one_with_both_numbers():
    assert Section().file("runs") == "runs.parquet"
    assert Section(3, 8).file("runs") == "runs-0003-of-0008.parquet"


def test_the_limit_is_the_one_that_is_documented(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sections, "MOST_ATHLETES", 2)
    assert len(sections_of(["a", "b", "c", "c", "a"])) == 2

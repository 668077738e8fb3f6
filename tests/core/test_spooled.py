"""Rows that wait are those that came, in their order, whether they are held or in a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core import spooled
from pipeline.core.errors import in_words
from pipeline.core.spooled import Spooled

ROWS = [(0, "a"), (2, "b"), (0, "c"), (2, "d"), (0, "e")]


@pytest.mark.parametrize("most", [1, 2, 3, 5, 100])
def test_rows_come_back_by_section_in_the_order_in_which_they_came(most: int, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(spooled, "MOST_ROWS", most)
    waiting = Spooled(iter(ROWS), 3)
    assert len(waiting) == 5
    for _ in range(2):
        assert [list(waiting.of(number)) for number in range(3)] == [["a", "c", "e"], [], ["b", "d"]]


def test_two_readers_do_not_disturb_each_other(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(spooled, "MOST_ROWS", 1)
    waiting = Spooled(iter(ROWS), 3)
    assert list(zip(waiting.of(0), waiting.of(2), strict=False)) == [("a", "b"), ("c", "d")]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_is_named_by_the_folder_for_temporary_files(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setattr(spooled, "MOST_ROWS", 1)
    monkeypatch.setattr(spooled, "TemporaryFile", lambda **_: Path("/dev/full").open("r+b"))  # noqa: SIM115 -- closed with what takes it
    monkeypatch.setattr(spooled, "gettempdir", lambda: str(tmp_path))
    with pytest.raises(OSError, match="No space left on device") as refusal:
        Spooled(iter(ROWS), 3)
    assert in_words(refusal.value) == f"No space left on device: {tmp_path}. Make room on that disk; nothing is lost."


def test_no_more_rows_are_held_than_are_to_be(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(spooled, "MOST_ROWS", 2)
    waiting = Spooled(((number % 4, "a row") for number in range(1001)), 4)
    assert sum(map(len, waiting._held)) == 1

"""The page of the methods: the whole of METHODS.md, and every setting with what differs from its default."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from pipeline.core.settings import Settings
from pipeline.pages.methods_page import methods_page

TEXT = (Path(__file__).parents[2] / "data" / "METHODS.md").read_text(encoding="utf-8")


def words(text: str) -> list[str]:
    return re.findall(r"\w+", text)


def test_every_word_of_the_methods_is_on_the_page():
    rendered = unescape(re.sub(r"<[^>]+>", " ", str(methods_page(Settings())["methods"])))
    # Signs that mean a form of the text, and numbers of lists, are no words of it.
    plain = re.sub(r"^\d+\. ", "", TEXT, flags=re.MULTILINE)
    assert words(rendered) == words(plain)


def test_its_headings_stand_below_the_one_of_the_page():
    rendered = str(methods_page(Settings())["methods"])
    assert "<h1>" not in rendered
    assert rendered.count("<h2>") == rendered.count("</h2>") == len(re.findall(r"^# ", TEXT, re.MULTILINE)) == 1
    assert rendered.count("<h3>") == rendered.count("</h3>") == len(re.findall(r"^## ", TEXT, re.MULTILINE))


def test_its_table_is_a_table():
    assert str(methods_page(Settings())["methods"]).count('<table tabindex="0">') == len(
        re.findall(r"^\| -", TEXT, re.MULTILINE)
    )


def test_every_setting_has_a_row_and_those_that_differ_are_marked():
    rows = methods_page(Settings(split_length_m=1609.344, page_distance="mile"))["settings"]
    assert [row["name"] for row in rows] == [name for name, *_ in Settings().describe()]
    assert {row["name"]: row["value"] for row in rows if not row["is_default"]} == {
        "split_length_m": "1609.344", "page_distance": '"mile"',
    }  # fmt: skip


@pytest.mark.parametrize("name", ["smallest_change_pct", "described_fields"])
def test_a_setting_that_is_a_table_is_compared_by_its_values(name: str):
    same = methods_page(Settings(**{name: dict(getattr(Settings(), name))}))["settings"]
    assert all(row["is_default"] for row in same)

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from pipeline.study.figures import draw_svg
from pipeline.study.results import Figure

SVG = "{http://www.w3.org/2000/svg}"
PAIRS = Figure(
    "Contact time: ends", "One line per athlete.", "pairs",
    {
        "pairs": [
            {"unit": unit, "stretch": stretch, "value": 240.0 + unit + 5 * (stretch == "late")}
            for unit in range(3)
            for stretch in ("early", "late")
        ]
    },
    {"y": "contact time, ms"},
)  # fmt: skip
POINTS = Figure(
    "Residuals", "One point per split.", "points",
    {"points": [{"x": 200.0 + x, "y": (-1.0) ** x} for x in range(40)]}, {"x": "fitted", "y": "residual, %"},
)  # fmt: skip


def texts(picture: str) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(picture).iter(f"{SVG}text")]


def marks(picture: str, kind: str) -> int:
    """How many marks of a kind were drawn of the data."""
    groups = list(ElementTree.fromstring(picture).iter(f"{SVG}g"))
    return sum(len(element) for element in groups if f"mark-{kind} role-mark" in element.get("class", ""))


def test_there_is_a_line_a_unit_from_early_to_late():
    picture = draw_svg(PAIRS)
    assert marks(picture, "line") == 3
    assert marks(picture, "symbol") == 6
    assert {"early", "late", "contact time, ms"} <= set(texts(picture))
    assert texts(picture).index("early") < texts(picture).index("late")


def test_there_is_a_point_a_row_and_a_line_at_nothing():
    picture = draw_svg(POINTS)
    assert marks(picture, "symbol") == 40
    assert marks(picture, "rule") == 1
    assert {"fitted", "residual, %"} <= set(texts(picture))


@pytest.mark.parametrize("figure", [PAIRS, POINTS], ids=["pairs", "points"])
def test_the_same_data_give_the_same_bytes_and_nothing_is_fetched(figure: Figure):
    picture = draw_svg(figure)
    assert picture == draw_svg(figure)
    assert set(re.findall(r"\w+://[^\s\"'<]+", picture)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert not re.search(r"<script|<image|url\((?!#)", picture)


def test_a_title_is_never_part_of_the_picture():
    assert "ends" not in draw_svg(PAIRS)

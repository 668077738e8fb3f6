"""Pictures: values stand where their scale says, letters are escaped, and every mark has a look in the style sheet."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from pipeline.pages import picture as module
from pipeline.pages.picture import SIZE, Picture, Scale, around, decimals_of, round_step

STYLE = (Path(module.__file__).parent / "assets" / "pages.css").read_text(encoding="utf-8")
LOOKS = ("light", "dark", "paper")


def named_colours(look: str) -> dict[str, str]:
    """The colours of the style sheet for one look."""
    light, dark, paper = re.findall(r":root \{(.*?)\}", STYLE, re.DOTALL)
    return dict(re.findall(r"--([\w-]+): ([^;]+);", {"light": light, "dark": dark, "paper": paper}[look]))


def parsed(picture: Picture, **more: object) -> ET.Element:
    svg = picture.svg("what is seen", **more)  # type: ignore[arg-type]
    return ET.fromstring(svg)


def paths(picture: Picture) -> dict[str, str]:
    return {one.get("class", ""): one.get("d", "") for one in parsed(picture).iter("path")}


def simple() -> Picture:
    return Picture(Scale(0, 20), Scale(200, 300), 300)


def test_a_picture_is_of_its_kind_whatever_labels_it_has():
    picture = Picture(Scale(0, 20), Scale(200, 300), 300, y_labels=[(250.0, "250"), (299.0, "299")], unit="ms")
    found = parsed(picture, kind="course")
    assert found.get("class") == "picture course"
    # The label next to the unit is one that gives way where letters stand inside.
    assert [one.get("class") for one in found.iter("text")] == ["tick up", "tick up top", "tick"]


# --- Scales ----------------------------------------------------------------------------------------------------------


def test_a_scale_runs_from_low_to_high_and_may_run_the_other_way():
    assert [Scale(0, 20).at(value) for value in (0, 5, 20)] == [0, 250, SIZE]
    assert Scale(20, 0).at(5) == 750


@pytest.mark.parametrize(
    ("scale", "n", "ticks"),
    [
        (Scale(0, 24), 6, [0, 5, 10, 15, 20]), (Scale(231, 249), 4, [235, 240, 245]),
        (Scale(4.1, 6.9), 1, [5, 6]), (Scale(-6, 6), 4, [-5, 0, 5]), (Scale(6, -6), 4, [-5, 0, 5]),
    ],
)  # fmt: skip
def test_ticks_are_round_and_never_alone(scale: Scale, n: int, ticks: list[float]):
    assert scale.ticks(n) == pytest.approx(ticks)


@pytest.mark.parametrize(("least", "step"), [(1.0, 1), (1.1, 2), (3.0, 5), (5.0, 5), (7.0, 10), (0.03, 0.05)])
def test_steps_are_of_one_two_or_five(least: float, step: float):
    assert round_step(least) == pytest.approx(step)


@pytest.mark.parametrize(("step", "decimals"), [(20, 0), (1, 0), (0.5, 1), (0.1, 1), (0.02, 2)])
def test_a_tick_has_the_decimals_of_its_step(step: float, decimals: int):
    assert decimals_of(step) == decimals


def test_a_range_is_never_empty():
    low, high = around([5.0, 5.0])
    assert low < 5.0 < high
    assert around([]) == pytest.approx((-0.06, 1.06))


# --- Marks -----------------------------------------------------------------------------------------------------------


def test_marks_stand_where_their_values_are():
    picture = simple()
    picture.line([(0, 200), (10, 250), (20, 300)], "mean")
    picture.dots(np.array([5]), np.array([275]), "late")
    picture.bars(np.array([10.0]), np.array([210.0]), np.array([290.0]), "error")
    picture.area([(0, 200, 210), (20, 290, 300)], "interval")
    picture.band("margin", y=(240, 260))
    found = paths(picture)
    assert found["mean"] == "M0 1000L500 500L1000 0"
    assert found["late"] == "M250 250h0"
    assert found["error"] == "M500 900V100"
    assert found["interval"] == "M0 900L1000 0L1000 100L0 1000Z"
    assert found["margin"] == "M0 600H1000V400H0Z"


def test_a_line_is_broken_where_there_is_no_value():
    picture = simple()
    picture.line([(0, 200), (5, None), (10, 250), (20, 300)], "mean")
    assert paths(picture)["mean"] == "M0 1000M500 500L1000 0"


def test_a_band_is_cut_at_the_edges():
    picture = simple()
    picture.band("complaint", x=(-5, 30))
    assert paths(picture)["complaint"] == "M0 1000H1000V0H0Z"


def test_letters_and_addresses_are_escaped():
    picture = simple()
    picture.write(5, 250, "<b>&", "mark")
    picture.link('a"b.html', "<i>", (5, 250), "point")
    svg = picture.svg('"><script>', reads=("250", ["<script>|x"]))
    assert "<script>" not in svg
    assert "<b>" not in svg
    found = ET.fromstring(svg)
    assert found.get("aria-label") == '"><script>'
    assert found.get("data-says") == "<script>/x"
    assert [one.get("href") for one in found.iter("a")] == ['a"b.html']


def test_what_is_read_somewhere_stands_at_its_place():
    found = parsed(simple(), reads=("250 1000", ["five", "twenty"]))
    assert (found.get("data-x"), found.get("data-says")) == ("250 1000", "five|twenty")
    assert (found.get("role"), found.get("tabindex")) == ("group", "0")
    assert parsed(simple()).get("role") == "img"


def test_labels_stand_on_their_values():
    picture = Picture(Scale(0, 20), Scale(200, 300), 300, [(10, "10 km")], [(250, "250")], "ms")
    found = parsed(picture)
    texts = {one.text: one for one in found.iter("text")}
    assert texts["10 km"].get("x") == "50.0%"
    assert texts["10 km"].get("text-anchor") == "middle"
    assert set(texts) == {"10 km", "250", "ms"}
    assert paths(picture)["grid"] == "M0 500H1000"


# --- The style sheet -------------------------------------------------------------------------------------------------


def classes_of_marks() -> set[str]:
    """Classes that the modules of the pages give to marks."""
    found: set[str] = set()
    for path in Path(module.__file__).parent.glob("*_pictures.py"):
        text = path.read_text(encoding="utf-8")
        for call in re.findall(r'(?:line|lines|dots|bars|area|band|path)\((?:.|\n)*?"([a-z][a-z -]*)"[,)\n ]', text):
            found |= set(call.split())
    return found


def test_every_kind_of_mark_has_a_look():
    kinds = classes_of_marks()
    assert {"margin", "mean", "total", "run", "latest", "trace", "expected", "split"} <= kinds
    for kind in kinds:
        assert re.search(rf"\.{kind}\b", STYLE), kind


def test_every_colour_is_named_in_every_look():
    names = set(re.findall(r"var\(--([\w-]+)\)", STYLE))
    assert names
    for look in LOOKS:
        assert names <= set(named_colours(look)), look
    body = re.sub(r":root \{.*?\}", "", STYLE, flags=re.DOTALL)
    assert set(re.findall(r"#[0-9a-f]{3,6}\b", body)) <= {"#000"}


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    digits = colour.removeprefix("#")
    digits = "".join(2 * digit for digit in digits) if len(digits) == 3 else digits
    parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("look", LOOKS)
def test_words_and_marks_stand_out_from_the_paper(look: str):
    colours = named_colours(look)
    for name in ("ink", "soft", "change", "latest", "link"):
        assert contrast(colours[name], colours["paper"]) >= 4.5, name


def as_seen(colour: str, matrix: tuple[tuple[float, float, float], ...]) -> list[float]:
    parts = [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
    return [sum(weight * part for weight, part in zip(row, parts, strict=True)) for row in matrix]


#: What is left of red, green and blue without one kind of cone (Machado et al. 2009, severity 1; from memory).
BLIND = {
    "protan": ((0.152, 1.053, -0.205), (0.115, 0.786, 0.099), (-0.004, -0.048, 1.052)),
    "deutan": ((0.367, 0.861, -0.228), (0.280, 0.673, 0.047), (-0.012, 0.043, 0.969)),
    "tritan": ((1.256, -0.077, -0.179), (-0.078, 0.931, 0.148), (0.005, 0.691, 0.304)),
}


@pytest.mark.parametrize("kind", BLIND)
@pytest.mark.parametrize("look", LOOKS)
def test_change_and_the_latest_runs_are_told_apart_by_people_who_see_few_colours(look: str, kind: str):
    colours = named_colours(look)
    change, latest = (as_seen(colours[name], BLIND[kind]) for name in ("change", "latest"))
    assert sum((a - b) ** 2 for a, b in zip(change, latest, strict=True)) ** 0.5 > 60

"""The charts: valid Vega-Lite, no colour but by a name that the style sheet has for light, dark and paper."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import altair as alt
import pytest

from pipeline.pages import charts
from pipeline.pages.charts import SERIES, SHAPES, STRIKES, specifications

CHARTS = specifications()
ASSETS = Path(charts.__file__).parent / "assets"
STYLE = (ASSETS / "pages.css").read_text(encoding="utf-8")
SCRIPT = (ASSETS / "pages.js").read_text(encoding="utf-8")
LOOKS = ("light", "dark", "paper")
#: Keys under which Vega-Lite takes a colour.
COLOURED = re.compile(r"(^|[a-z])(color|fill|stroke)$", re.IGNORECASE)


def things(part: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """Every value of a specification with the key that it stands under."""
    yield key, part
    if isinstance(part, dict):
        for name, value in part.items():
            yield from things(value, name)
    elif isinstance(part, list):
        for value in part:
            yield from things(value, key)


def named_colours(look: str) -> dict[str, str]:
    """The colours of the style sheet for one look."""
    light, dark, paper = re.findall(r":root \{(.*?)\}", STYLE, re.DOTALL)
    return dict(re.findall(r"--([\w-]+): ([^;]+);", {"light": light, "dark": dark, "paper": paper}[look]))


@pytest.mark.parametrize("name", CHARTS)
def test_every_chart_is_valid_by_the_schema(name: str):
    chart = alt.Chart.from_dict(CHARTS[name])
    assert chart.to_dict(validate=True)


def test_the_schema_would_find_a_fault():
    broken = json.loads(json.dumps(CHARTS["club"]).replace('"rule"', '"ruler"'))
    with pytest.raises(Exception, match=r"ruler|valid"):
        alt.Chart.from_dict(broken).to_dict(validate=True)


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_asks_nobody_for_anything(name: str):
    assert "http" not in json.dumps(CHARTS[name])
    assert not [value for key, value in things(CHARTS[name]) if key in ("url", "href", "$schema")]


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_brings_no_data_of_its_own(name: str):
    data = [value for key, value in things(CHARTS[name]) if key == "data"]
    assert data
    assert all(set(one) == {"name"} for one in data)
    assert "datasets" not in CHARTS[name]


@pytest.mark.parametrize("name", CHARTS)
def test_colours_are_names_of_the_style_sheet_in_every_look(name: str):
    colours = {
        value
        for key, value in things(CHARTS[name])
        if isinstance(value, str) and (COLOURED.search(key) or "var(" in value or value.startswith("#"))
    }
    assert colours
    for colour in colours - {"transparent"}:
        found = re.fullmatch(r"var\(--([\w-]+)\)", colour)
        assert found, colour
        assert all(found[1] in named_colours(look) for look in LOOKS)


@pytest.mark.parametrize("name", CHARTS)
def test_every_mark_has_a_colour_of_its_own_or_one_by_meaning(name: str):
    # Vega's own colours are those of no style sheet.
    def marks(part: Any, inherited: frozenset[str] = frozenset()) -> Iterator[tuple[dict[str, Any], frozenset[str]]]:
        if isinstance(part, dict):
            inherited |= frozenset(part.get("encoding", {}))
            if "mark" in part:
                yield part["mark"], inherited
            for key in ("layer", "spec", "vconcat", "hconcat"):
                inner = part.get(key, [])
                for one in inner if isinstance(inner, list) else [inner]:
                    yield from marks(one, inherited)

    found = list(marks(CHARTS[name]))
    assert found
    for mark, channels in found:
        assert "color" in mark or "color" in channels or mark["type"] == "text", mark


@pytest.mark.parametrize("look", LOOKS)
def test_each_look_has_a_different_colour_for_each_name_of_a_series(look: str):
    colours = named_colours(look)
    names = [one.removeprefix("var(--").removesuffix(")") for one in SERIES]
    assert len({colours[name] for name in names}) == len(SERIES)
    assert set(colours) == set(named_colours("light"))


def test_what_a_colour_tells_apart_a_shape_does_too():
    assert len(SERIES) == len(SHAPES) == len(set(SHAPES))
    assert len(STRIKES) <= len(SERIES)


# --- Charts and the script that fills them ----------------------------------------------------------------------------


def drawing(name: str) -> str:
    """What the script says of one chart."""
    begins = re.search(rf"^  {name}\(.*?\) {{$", SCRIPT, re.MULTILINE)
    assert begins, name
    return SCRIPT[begins.end() : SCRIPT.index("\n  },", begins.end())]


@pytest.mark.parametrize("name", [name for name in CHARTS if name != "traces"])
def test_the_script_gives_every_data_set_that_a_chart_names_and_no_other(name: str):
    asked = {value["name"] for key, value in things(CHARTS[name]) if key == "data"}
    assert data_sets(drawing(name)) == asked


def data_sets(text: str) -> set[str]:
    """The names inside `datasets: { ... }`; what stands in deeper brackets is left out."""
    start = text.index("datasets: {") + len("datasets: {")
    depth, inside = 0, ""
    for sign in text[start:]:
        if sign == "}" and depth == 0:
            break
        depth += (sign in "[{(") - (sign in "]})")
        inside += "" if depth or sign in "]})" else sign
    return {part.partition(":")[0].strip() for part in inside.split(",")}


def test_the_script_draws_every_chart_and_no_other():
    block = SCRIPT[SCRIPT.index("const DRAW = {") :]
    drawn = re.findall(r"^  (\w+)\(.*\) \{$", block[: block.index("\n};")], re.MULTILINE)
    assert sorted(drawn) == sorted(CHARTS)

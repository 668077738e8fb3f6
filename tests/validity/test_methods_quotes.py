"""What `data/METHODS.md` quotes of `data/VALIDITY.md` stands there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

DATA = Path(__file__).parents[2] / "data"
METHODS = " ".join((DATA / "METHODS.md").read_text(encoding="utf-8").split())
SEASON, GOOD_DAYS = "drifts of neighbouring runs alike (0.8), ", "long runs on good days (0.7), "
IN_TURN = "error 2 and 0.5 % in turn, two sources, fade -4 %"
SETTLED = "form that settles over 1 km, by 4 %, runs of 6 to 12 km"
#: A sentence with its figures, and of each figure the row and the column that it is of.
QUOTES = (
    (
        "intervals hold this season's mean in (.*?) % and the long-run mean in (.*?) %",
        [(f"{SEASON}this season", "coverage"), (f"{SEASON}long run", "coverage")],
    ),
    (
        r"holds that mean in (\S+) % and the weighted mean, which is the estimand, in (\S+) %",
        [(f"{GOOD_DAYS}mean of all runs", "coverage"), (f"{GOOD_DAYS}runs by what they tell", "coverage")],
    ),
    (
        r"the drift is (\S+) % too high, and intervals hold it in (\S+) % \(row \"error 2 and 0.5",
        [(IN_TURN, "bias"), (IN_TURN, "coverage")],
    ),
    (r"With errors that last 20 s or 10 minutes, .{,50} intervals hold the truth in (\S+) and (\S+) %", [
        ("error 1 % that lasts 20 s, fade -4 %", "coverage"),
        ("error 1 % that lasts 10 minutes, fade -4 %", "coverage"),
    ]),
    (r"Their intervals are (\S+) % per 10 km wide and claim nothing", [("3 runs", "width")]),
    (
        r"runs of 6 to 12 km (\S+) % per 10 km too high. .{,60} hold the truth all the same \((\S+) %\); where it "
        r"scatters half as much, in (\S+) %, and (\S+) % of athletes without drift are called changed",
        [
            (SETTLED, "bias"), (SETTLED, "coverage"), (f"{SETTLED}, half of the scatter", "coverage"),
            (f"{SETTLED}, half of the scatter", "false change"),
        ],
    ),
    (r"along curves (\S+) and (\S+) % still get an onset", [
        ("+5 % per 10 km by km 20", "onset given"), ("+5 % per 10 km by km 30", "onset given"),
    ]),
)  # fmt: skip


def figures() -> dict[tuple[str, str], str]:
    """Every figure of the table, without its error, by row and column."""
    found, columns = {}, []
    for line in (DATA / "VALIDITY.md").read_text(encoding="utf-8").splitlines():
        name, *cells = [cell.strip() for cell in line.strip("|").split("|")]
        if name == "scenario":
            columns = cells
        elif line.startswith("| "):
            found |= {(name, column): cell.split(" ")[0] for column, cell in zip(columns, cells, strict=False)}
    return found


@pytest.mark.parametrize(("sentence", "places"), QUOTES, ids=[sentence[:40] for sentence, _ in QUOTES])
def test_a_figure_in_the_methods_is_that_of_the_table(sentence: str, places: list[tuple[str, str]]):
    table, [quoted] = figures(), re.findall(sentence, METHODS)
    told = [quoted] if isinstance(quoted, str) else list(quoted)
    decimals = [len(one.partition(".")[2]) for one in told]
    assert told == [f"{float(table[place]):.{n}f}" for place, n in zip(places, decimals, strict=True)]

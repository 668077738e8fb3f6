"""Published landings through strikes.csv alone, a refresh and the design `landing`.

The cross-table of Bovalino et al. 2020 was rebuilt from the printed percentages and is right to a runner; that of
Fukuchi et al. 2017 was counted in their data, whose two speeds stand here in place of two distances. What was printed
is in `pipeline/core/published.toml`.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pipeline.core.published import all_numbers
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.study.conduct import StudyResult, conduct
from pipeline.study.output import write_output
from pipeline.study.register import Registered
from pipeline.study.study_reader import read_study

ROAD_RACE = {("rearfoot", "rearfoot"): 354, ("midfoot", "rearfoot"): 64, ("midfoot", "midfoot"): 41}
SLOW_AND_FAST = {
    foot: {
        classes: int(all_numbers()[f"fukuchi-2017.{foot}_{name}"].printed)
        for classes, name in (
            (("rearfoot", "rearfoot"), "stayed_rearfoot"),
            (("rearfoot", "midfoot"), "left_rearfoot"),
            (("midfoot", "rearfoot"), "became_rearfoot"),
            (("midfoot", "midfoot"), "stayed_other"),
        )
    }
    for foot in ("left", "right")
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of strikes.csv and no recording: groups of runners who landed alike."""
    folder = tmp_path_factory.mktemp("laboratory")
    (folder / "inbox").mkdir()
    with (folder / "inbox" / "strikes.csv").open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file)
        lines.writerow(["athlete_id", "date", "distance_km", "foot", "strike", "n_runners"])
        for day, places, foot, table in (
            ("2017-11-12", (3, 13), "", ROAD_RACE),
            *(("2017-05-09", (2.5, 4.5), foot, table) for foot, table in SLOW_AND_FAST.items()),
        ):
            for number, (classes, n) in enumerate(table.items()):
                for distance, strike in zip(places, classes, strict=True):
                    lines.writerow([f"{day} {foot} {number}", day, distance, foot, strike, n])
    refresh(read_inbox(folder / "inbox"), folder / "store", jobs=1)
    return folder / "store"


def conducted(store: Path, early_km: float, late_km: float, *published: str, foot: str = "both") -> StudyResult:
    row = '[[published]]\nanalysis = "feet"\nstatistic = "{0}"\nnumber = "bovalino-2020.{0}"\n'
    rows = "".join(row.format(name) for name in published)
    stated = f"""
title = "Landings"
question = "Do they change?"
correction = "none"
[[analysis]]
name = "feet"
design = "landing"
early_km = {early_km}
late_km = {late_km}
foot = "{foot}"
{rows}"""
    return conduct(read_study(stated, name="study.toml"), store)


def test_the_rearfoot_share_of_a_road_race_rises_as_it_was_published(store: Path):
    result = conducted(store, 3, 13, "share_early", "share_late")
    # The rebuilt table is off by a runner; the printed interval is another one than Wilson's, within half a point.
    for row in result.comparison.iter_rows(named=True):
        for end in ("", "_low", "_high"):
            assert row[f"ours{end}"] == pytest.approx(row[f"published{end}"], abs=0.006), row["statistic"]
        assert row["difference_low"] < 0 < row["difference_high"]
    others, became = (all_numbers()[f"bovalino-2020.{name}"].printed for name in ("others_early", "became_rearfoot"))
    assert round((1 - result.results.filter(statistic="share_early")["estimate"].item()) * 459) == others
    assert round(100 * ROAD_RACE["midfoot", "rearfoot"] / others) == became
    [exact] = result.results.filter(statistic="mcnemar_exact_statistic").to_dicts()
    assert (exact["estimate"], exact["p_value"]) == (0.0, 0.0)  # 1e-19, rounded


@pytest.mark.parametrize("foot", ["left", "right"])
def test_strike_is_not_affected_by_speed_as_it_was_published(store: Path, foot: str):
    [exact] = conducted(store, 2.5, 4.5, foot=foot).results.filter(statistic="mcnemar_exact_statistic").to_dicts()
    # 3 changed one way and 2 the other.
    assert (exact["estimate"], exact["p_value"]) == (2.0, 1.0)


def test_what_is_passed_on_holds_the_landings_and_speaks_of_nothing_else(store: Path, tmp_path: Path):
    write_output(tmp_path / "out", conducted(store, 3, 13), Registered("2026-11-29T10:00:00+00:00", 0, 1), b"k" * 16)
    data = {file.name: file.read_text(encoding="utf-8") for file in (tmp_path / "out" / "data").iterdir()}
    with_rows = {name for name, text in data.items() if text.count("\n") > 1}
    assert with_rows == {"analyses.csv", "landings.csv"}
    assert "feet,midfoot,rearfoot,64,64,,\n" in data["landings.csv"]
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    for words in ("0 p-values", "Splits of", "recorded by the athletes", "moving time"):
        assert words not in report
    assert "The runners filmed ran as they would" in report

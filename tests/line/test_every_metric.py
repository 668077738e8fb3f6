"""A metric of the registry is in the tables, the terminal, the exports and on every page: one entry is all it takes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from pipeline.core.metrics import METRICS, Metric
from tests.support.demo_store import CLUB, Refreshed

ROOT = Path(__file__).parents[2]

PEAK_FORCE = Metric(
    column="peak_force_n", label="peak force", unit="N", decimals=0,
    meaning="Largest vertical force on the foot",
    derived_from=("contact_time_ms", "flight_time_ms", "mass_kg"),
    smallest_change_pct=1.5, smallest_change_source="an invented reason",
    picture_rank=11, is_level_only=True,
)  # fmt: skip
CONTACT_BALANCE = Metric(
    column="contact_balance_pct", label="left in contact", unit="% left", decimals=1,
    meaning="Share of the left foot",
    smallest_change_pct=1.25, smallest_change_source="an invented reason",
    picture_rank=10, is_leading=True, is_effort=True, lags_pace=True,
)  # fmt: skip


@cache
def outputs_of(store: Path) -> tuple[pl.DataFrame, set[object], dict[str, str]]:
    """Its estimates, what cells the workbook has for them, and the texts of its pages."""
    drifts = pl.read_csv(store / "exports" / "athlete_drift.csv")
    workbook = openpyxl.load_workbook(store / "exports" / "splitdrift.xlsx", read_only=True)
    cells = {cell for row in workbook["athlete_drift"].iter_rows(values_only=True) for cell in row}
    workbook.close()
    pages = (store / "pages").rglob("*.html")
    return drifts, cells, {file.relative_to(store / "pages").as_posix(): file.read_text() for file in pages}


def places_without(metric: Metric, store: Path) -> list[str]:
    """Where the metric should be seen and is not."""
    drifts, cells, pages = outputs_of(store)
    drifts = drifts.filter(pl.col("metric") == metric.column)
    of_athletes = [text for name, text in pages.items() if re.fullmatch(r"athletes/[^/]+/index\.html", name)]
    of_runs = [text for name, text in pages.items() if re.fullmatch(r"athletes/[^/]+/\d.*\.html", name)]
    row = f'<th scope="row">{metric.label}<'
    option = f'<option value="{metric.column}"'
    seen = {
        "an estimate": drifts["drift_pct_per_10km"].count() > 0,
        "a judgement": set(drifts["smallest_change_pct"]) == {metric.smallest_change_pct},
        "the workbook": metric.column in cells,
        "the club's list": option in pages["index.html"],
        "the club's picture": f'data-key="{metric.column}"' in pages["index.html"],
        "an athlete's table": any(row in text for text in of_athletes),
        "an athlete's choice of pictures": any(f'value="{metric.column}"' in text for text in of_athletes),
        "an athlete's pictures": any(f'data-metric="{metric.column}"' in text for text in of_athletes),
        "level splits only": any(f"{row}br><span" in text for text in of_athletes) is metric.is_level_only,
        "a run's drift": any(row in text for text in of_runs),
        "a run's splits": any(f'scope="col" class="number">{metric.label} <' in text for text in of_runs),
        "a run's traces": any(f'<div class="stage" data-name="{metric.label}">' in text for text in of_runs)
        is metric.is_reading,
        "the page of the methods": metric.smallest_change_source in pages["methods.html"],
    }
    return [place for place, is_seen in seen.items() if not is_seen]


@pytest.mark.parametrize("metric", METRICS, ids=lambda metric: metric.column)
def test_it_is_seen_everywhere(demo: Refreshed, metric: Metric):
    if demo.table("splits")[metric.column].count() == 0:
        pytest.skip("no device of the demo club records it")
    assert places_without(metric, demo.store) == []


class Fork:
    """The project with another registry, in a process of its own."""

    def __init__(self, folder: Path, *metrics: Metric) -> None:
        self.folder = folder
        shutil.copytree(ROOT / "pipeline", folder / "pipeline")
        for name in ("sql", "data"):
            (folder / name).symlink_to(ROOT / name)
        registry = folder / "pipeline" / "core" / "metrics.py"
        text = registry.read_text(encoding="utf-8")
        end = "\n)  # fmt: skip\n\n\n@dataclass"
        for metric in metrics:
            written = repr(metric).replace("=inf", "=float('inf')")
            # The entry that the column has gives way.
            entry = rf'    (?:Quantity|Metric)\(\s+column="{metric.column}".*?\n    \),\n'
            text = re.sub(entry, "", text, flags=re.DOTALL).replace(end, f"\n    {written},{end}")
        registry.write_text(text, encoding="utf-8")

    def run(self, *words: str) -> str:
        """What Python prints in it."""
        environment = os.environ | {"PYTHONPATH": str(self.folder), "COLUMNS": "400"}
        done = subprocess.run(
            [sys.executable, *words], env=environment, cwd=self.folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr[-2000:]
        return done.stdout


def test_two_more_entries_are_seen_everywhere(tmp_path: Path):
    inbox, store = tmp_path / "inbox", tmp_path / "store"
    for athlete_id in ("brine", "gull"):
        (inbox / athlete_id).mkdir(parents=True)
        for file in sorted((CLUB / athlete_id).rglob("*.fit*"))[:5]:
            shutil.copy(file, inbox / athlete_id)
    shutil.copy(CLUB / "roster.csv", inbox)
    fork = Fork(tmp_path / "fork", PEAK_FORCE, CONTACT_BALANCE)
    splitdrift = ["-m", "pipeline"]
    at_a_glance = fork.run(*splitdrift, "refresh", "--inbox", str(inbox), "--store", str(store), "--jobs", "1")
    shown = fork.run(*splitdrift, "show", "athlete_drift", "--store", str(store))
    dictionary = fork.run(*splitdrift, "dictionary")
    for metric in (PEAK_FORCE, CONTACT_BALANCE):
        assert metric.label in at_a_glance
        assert places_without(metric, store) == []
        assert metric.column in shown
        assert f"| {metric.column} | {metric.label} |" in dictionary

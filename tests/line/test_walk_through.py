"""The README's way from a folder of files to the first table, as it is printed there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipeline.store.layout import read_table
from tests.support.nights import drifting_run

ROOT = Path(__file__).parents[2]

#: More than a person reads through.
MOST_LINES_OF_A_COMMAND = 110


def commands() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = text.partition("<!-- begin: walk-through -->")[2].partition("<!-- end: walk-through -->")[0]
    return re.findall(r"^splitdrift .*", block, re.MULTILINE)


def test_it_takes_fewer_than_ten_commands():
    assert 3 < len(commands()) < 10


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n_athletes", "n_runs", "km"),
    # Were a line said of each file or run, 200 would show as well as a thousand.
    [(3, 4, 6.0), pytest.param(50, 4, 6.0, marks=pytest.mark.depth)],
)
def test_a_folder_of_files_becomes_tables_by_its_commands(tmp_path: Path, n_athletes: int, n_runs: int, km: float):
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    for athlete in range(n_athletes):
        for day in range(n_runs):
            name = f"a{athlete:02}_{day:02}.fit"
            (downloads / name).write_bytes(drifting_run(day, seed=100 * athlete + day, km=km))
    (downloads / "Thumbs.db").write_bytes(b"left by a computer")
    (downloads / "somebody.fit").write_bytes(drifting_run(seed=9999))
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    environment.pop("PREFECT_API_URL", None)
    for command in commands():
        line = f'splitdrift() {{ "{sys.executable}" -m pipeline "$@"; }}; {command}'
        ended = subprocess.run(
            ["bash", "-c", line], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        assert (ended.returncode, ended.stderr) == (0, ""), command
        assert len(ended.stdout.splitlines()) <= MOST_LINES_OF_A_COMMAND, command
    runs = read_table(tmp_path / "store", "runs")
    assert runs.height == n_athletes * n_runs
    assert runs["athlete_id"].n_unique() == n_athletes
    assert pl.read_csv(tmp_path / "long-runs.csv").height == runs.filter(pl.col("distance_km") > 5).height > 0
    assert [path.name for path in (tmp_path / "inbox" / ".unsorted").iterdir()] == ["somebody.fit"]

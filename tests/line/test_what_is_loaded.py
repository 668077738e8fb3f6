"""What only the flow, a cluster or the tests need is loaded by nothing else."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.refresh import REFRESH_LOADS
from tests.support.demo_store import CLUB

STUDY = Path(__file__).parents[2] / "data/studies/demo/contact-time-marathon.toml"
ELSEWHERE = {"prefect", "dask", "distributed", "pandas", "statsmodels", "altair", "vl_convert"}


TELL = "\nimport sys\nprint(*{name.partition('.')[0] for name in sys.modules})"


def loaded_by(program: str) -> set[str]:
    """The libraries that a program has loaded at its end."""
    told = subprocess.run(
        [sys.executable, "-c", program + TELL],
        capture_output=True, text=True, check=False, env={"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    return set(told.stdout.splitlines()[-1].split())


def command(*words: object) -> str:
    return f"from pipeline.__main__ import main\nmain({list(map(str, words))!r}, standalone_mode=False)"


@pytest.mark.slow
def test_a_refresh_loads_nothing_of_the_flow_nor_of_a_cluster(small_club: Path, tmp_path: Path):
    found = loaded_by(command("refresh", "--inbox", small_club, "--store", tmp_path / "store", "--jobs", "1"))
    assert "polars" in found
    assert not found & (ELSEWHERE | {"scipy", "duckdb", "jinja2"})  # which its workers load


IN_ONE_PROCESS = """
from pathlib import Path
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.workers.pool import here
refresh(read_inbox(Path({inbox!r})), Path({store!r}), mapper=here)
"""


OF_SCIPY = """
import sys
from pipeline.core import scipy_alone
import scipy.special
late = "scipy.special._support_alternative_backends"
assert late not in sys.modules
before = dict(vars(scipy.special))
assert scipy.special.multigammaln(3.0, 1) > 0
names = sys.modules[late].__all__
assert names and [name for name in names if not hasattr(scipy.special, name)] == []
assert [name for name in names if name in before and before[name] is not getattr(sys.modules[late], name)] == []
from scipy.special import *
import scipy.stats
"""


@pytest.mark.slow
def test_what_is_left_out_of_scipy_comes_with_its_first_use_and_changes_no_function():
    assert "scipy" in loaded_by(OF_SCIPY)


@pytest.mark.slow
def test_nor_do_its_workers(small_club: Path, tmp_path: Path):
    imports = "\n".join(f"import {name}" for name in REFRESH_LOADS.split())
    steps = IN_ONE_PROCESS.format(inbox=str(small_club), store=str(tmp_path / "store"))
    found = loaded_by(imports + steps)
    assert {"polars", "duckdb", "scipy"} <= found
    assert not found & ELSEWHERE


@pytest.mark.slow
def test_nor_does_a_study_but_for_its_figures(own_store: Path, tmp_path: Path):
    found = loaded_by(command("study", STUDY, "--store", own_store, "--out", tmp_path / "out"))
    assert "polars" in found
    assert not found & (ELSEWHERE - {"altair", "vl_convert"})


def test_demo_is_a_refresh(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    asked: list[object] = []
    monkeypatch.setattr("pipeline.commands.demo.bring_up_to_date", lambda inbox, *_, **_more: asked.append(inbox))
    from pipeline.__main__ import main  # noqa: PLC0415

    main(["demo", "--store", str(tmp_path)], standalone_mode=False)
    assert asked == [CLUB]

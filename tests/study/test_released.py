"""What is released is enough: the scripts in the folder compute every number of the results from it."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import polars as pl
import pytest

from pipeline.study.agreements import agreements
from pipeline.study.conduct import StudyResult, conduct
from pipeline.study.output import write_output
from pipeline.study.register import Registered
from pipeline.study.released import released_data
from pipeline.study.results import results
from pipeline.study.study_file import DESIGNS, Analysis
from pipeline.study.study_reader import read_study
from pipeline.study.windows import paired_windows
from tests.support.cohorts import cohort_of
from tests.support.demo_store import Refreshed

SCRIPTS = Path(__file__).parents[2] / "data" / "recompute"
STATED = Registered("2031-01-01T00:00:00+00:00", 0, 1)
STUDY = """
title = "All designs"
question = "Can they be computed again?"
correction = "benjamini_hochberg"
least_cell = 1
[[analysis]]
name = "quarters"
design = "paired_windows"
metrics = ["contact_time_ms", "cadence_spm"]
windows = "quarters"
[[analysis]]
name = "kilometres, by run"
design = "paired_windows"
metrics = ["cadence_spm", "vertical_stiffness_kn_m"]
early_km = [2, 4]
late_km = [6, 8]
unit = "run"
adjust = []
[[analysis]]
name = "from minute 10 to 40, at speed"
design = "paired_windows"
metrics = ["contact_time_ms"]
early_min = [10, 20]
late_min = [30, 40]
speed_m_s = [2.5, 4.5]
[[analysis]]
name = "quarters by sex"
design = "paired_windows"
metrics = ["contact_time_ms"]
windows = "quarters"
group = "sex"
covariates = ["age"]
prior_sd_pct = 5
[[analysis]]
name = "posterior"
design = "paired_windows"
metrics = ["contact_time_ms"]
windows = "quarters"
prior_sd_pct = 5
[[analysis]]
name = "who"
design = "responders"
metrics = ["contact_time_ms"]
windows = "quarters"
[[analysis]]
name = "who beyond 2 %"
design = "responders"
metrics = ["cadence_spm"]
windows = "quarters"
detectable_pct = 2.0
[[analysis]]
name = "four sections"
design = "sections"
metrics = ["cadence_spm"]
sections = 4
[[analysis]]
name = "sections by sex"
design = "sections"
metrics = ["contact_time_ms"]
sections_km = [2, 4, 6, 8]
group = "sex"
covariates = ["age"]
prior_sd_pct = 5
[[analysis]]
name = "line over time"
design = "trend"
metrics = ["contact_time_ms"]
along = "min"
prior_sd_pct = 5
[[analysis]]
name = "line by speed over the run"
design = "trend"
metrics = ["contact_time_ms"]
along = "share"
group = "speed_m_s"
covariates = ["height_m", "age"]
prior_sd_pct = 5
[[analysis]]
name = "no more than"
design = "equivalence"
metrics = ["cadence_spm"]
windows = "quarters"
margin_pct = 2.0
[[analysis]]
name = "line"
design = "trend"
metrics = ["contact_time_ms", "contact_balance_pct"]
[[analysis]]
name = "from where"
design = "onset"
metrics = ["cadence_spm", "contact_time_ms"]
[[analysis]]
name = "from where as measured"
design = "onset"
metrics = ["vertical_oscillation_mm"]
adjust = []
[[analysis]]
name = "alike"
design = "reliability"
metrics = ["contact_time_ms"]
[[analysis]]
name = "feet"
design = "landing"
early_km = 5
late_km = 15
"""


def with_what_the_club_has_not(result: StudyResult) -> StudyResult:
    """The result, with its agreement with a sensor that reads otherwise, and with runs before and after an event."""
    random = np.random.default_rng(2)
    splits, runs = result.material.splits, result.material.runs
    noise = pl.Series(np.exp(0.03 + 0.02 * random.standard_normal(splits.height)))
    tags = pl.Series(np.where(np.arange(runs.height) % 2, "event=after", "event=before"))
    material = replace(
        result.material,
        other_splits=splits.with_columns(pl.col("contact_time_ms") * noise), runs=runs.with_columns(tags=tags),
    )  # fmt: skip
    sensors = Analysis("sensors", "agreement", ("contact_time_ms",))
    event = Analysis(
        "event", "paired_windows", ("contact_time_ms",), early_tags=("event=before",), late_tags=("event=after",),
        prior_sd_pct=5.0,
    )  # fmt: skip
    statistics = [
        *result.statistics, *agreements(material, sensors).statistics, *paired_windows(material, event).statistics
    ]  # fmt: skip
    return replace(
        result, material=material, statistics=statistics, results=results(statistics, result.study.correction),
        study=replace(result.study, analyses=(*result.study.analyses, sensors, event)),
        flows={**result.flows, **{(name, "contact_time_ms"): result.flow for name in ("sensors", "event")}},
    )  # fmt: skip


@pytest.fixture(scope="module")
def out(demo: Refreshed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of a study of every design."""
    folder = tmp_path_factory.mktemp("study") / "out"
    result = with_what_the_club_has_not(conduct(read_study(STUDY, name="study.toml"), demo.store))
    assert {analysis.design for analysis in result.study.analyses} == set(DESIGNS)
    assert result.failures == []
    write_output(folder, result, STATED, bytes(range(100, 132)))
    return folder


def number_of_numbers(folder: Path) -> int:
    rows = pl.read_csv(folder / "results.csv")
    return sum(rows[name].count() for name in ("estimate", "low", "high", "p_value", "p_corrected"))


def run(words: Sequence[str | Path], where: Path) -> tuple[int, str]:
    done = subprocess.run([str(word) for word in words], cwd=where, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


COMMANDS = {"recompute.py": [sys.executable, "-I"], "recompute.R": ["Rscript", "--vanilla"]}


@pytest.mark.parametrize("script", COMMANDS)
def test_a_script_in_the_folder_computes_every_number_of_every_design_again(script: str, out: Path, tmp_path: Path):
    if shutil.which(COMMANDS[script][0]) is None:
        pytest.skip("Rscript is not on this machine: Debian's r-base-core has it.")
    code, said = run([*COMMANDS[script], out / script], tmp_path)
    n_numbers = number_of_numbers(out)
    assert (said.splitlines()[0], code) == (f"{n_numbers} numbers of results.csv are the same, 0 are not.", 0)
    assert n_numbers > 300
    assert (tmp_path / "recomputed.csv").is_file()


@pytest.mark.parametrize("script", ["recompute.py", pytest.param("recompute.R", marks=pytest.mark.depth)])
def test_a_number_that_differs_in_the_sixth_digit_is_named(script: str, out: Path, tmp_path: Path):
    if shutil.which(COMMANDS[script][0]) is None:
        pytest.skip("Rscript is not on this machine: Debian's r-base-core has it.")
    shutil.copytree(out, tmp_path / "out")
    rows = pl.read_csv(out / "results.csv")
    is_slope = (pl.col("statistic") == "slope_pct_per_10km") & (pl.col("metric") == "contact_time_ms")
    changed = rows.with_columns(pl.when(is_slope).then(pl.col("low") + 1e-5).otherwise("low").alias("low"))
    changed.write_csv(tmp_path / "out" / "results.csv")
    code, said = run([*COMMANDS[script], tmp_path / "out" / script], tmp_path)
    assert (code, said.splitlines()[1].partition(": ")[0]) == (1, "line / contact_time_ms / slope_pct_per_10km")


def test_shared_errors_have_no_digits_in_which_sums_differ_from_run_to_run(out: Path):
    shared = pl.read_csv(out / "data" / "shared_errors.csv")["shared_se"]
    assert shared.abs().max() > 1e-5
    assert shared.to_list() == shared.round(12).to_list()


# --- More athletes than patterns of signs can be counted for ---------------------------------------------------------


@pytest.fixture(scope="module")
def script() -> ModuleType:
    """recompute.py as a module."""
    specification = importlib.util.spec_from_file_location("recompute", SCRIPTS / "recompute.py")
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    return module


def test_drawn_signs_are_released_and_give_the_same_p_value(script: ModuleType):
    random = np.random.default_rng(4)
    changes = 0.01 + 0.02 * random.standard_normal(20)
    analysis = Analysis("ends", "paired_windows", ("contact_time_ms",), windows="quarters", adjust=())
    material = cohort_of(
        lambda athlete, _run, km: 240 * np.exp(changes[athlete] * (km > 10)), n_athletes=20,
    )  # fmt: skip
    result = paired_windows(material, analysis)
    text = 'title="A"\nquestion="B"\n[[analysis]]\nname="ends"\ndesign="paired_windows"\nmetrics=["contact_time_ms"]\n'
    study = read_study(f'{text}windows="quarters"\nadjust=[]\n', name="study.toml")
    given = StudyResult.__new__(StudyResult)
    fields = {"study": study, "material": material, "flows": {("ends", "contact_time_ms"): None}}
    for name, value in (fields | {"statistics": result.statistics}).items():
        object.__setattr__(given, name, value)
    rows = released_data(given)
    draws = {("change_signs", 20): rows["draws"]["pattern"].to_list()}
    lines = rows["stretches"].to_dicts()
    about = rows["analyses"].row(0, named=True)
    recomputed = {line["statistic"]: line for line in script.paired_windows(lines, about, script.Given(draws))}
    expected = {statistic.statistic: statistic for statistic in result.statistics}
    assert 0.0002 < (expected["change_pct"].p_value or 0) < 0.5
    for name, statistic in expected.items():
        for number in ("estimate", "low", "high", "p_value"):
            value = getattr(statistic, number)
            assert recomputed[name][number] == (None if value is None else pytest.approx(value, abs=1e-6)), (
                name,
                number,
            )

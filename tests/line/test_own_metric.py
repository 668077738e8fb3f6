"""A metric of one's own, by a table in settings.toml: read, estimated, shown and studied like those of the registry.

The table is the README's.
The recordings are written here, row by row, and nothing of `pipeline/` has a part in them.
"""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
from click.testing import CliRunner

from pipeline.__main__ import main
from pipeline.core.metrics import Metric
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.layout import read_table, settings_of
from pipeline.study.conduct import conduct
from pipeline.study.study_reader import read_study
from tests.conftest import shared_folder
from tests.line.test_every_metric import places_without

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
#: As it is printed there.
SETTINGS = README.partition("<!-- begin: own metric -->\n\n```toml\n")[2].partition("```")[0]
#: Athlete -> planted drift of the peak [% per 10 km]; None for an athlete without the sensor.
PLANTED = {"ari": 6.0, "bea": 0.0, "cyd": -5.0, "dov": None}
#: Its exponent of speed, and rows of each run with a value that no tibia has, and with the sensor's zero.
RESPONSE, N_ABSURD, N_ZERO = 1.2, 7, 5
N_RUNS = 6


def rows_of_run(draw: random.Random, drift_pct: float | None, start: datetime) -> Iterator[list[str]]:
    level, elapsed_s, distance_m, row = 9 * math.exp(draw.gauss(0, 0.02)), 0.0, 0.0, 0
    for kilometre in range(draw.randint(11, 15)):
        speed_m_s = 3.2 * math.exp(draw.gauss(0, 0.03))
        while distance_m < 1000 * (kilometre + 1):
            along = (1 + (drift_pct or 0) / 100) ** (distance_m / 10_000)
            peak = level * (speed_m_s / 3.2) ** RESPONSE * along * math.exp(draw.gauss(0, 0.04))
            peak = 99.0 if row in range(330, 330 + N_ABSURD) else 0.0 if row in range(470, 470 + N_ZERO) else peak
            yield [
                f"{(start + timedelta(seconds=elapsed_s)).isoformat()}", f"{distance_m:.1f}",
                f"{172 + draw.gauss(0, 1):.0f}", "25.0", *([] if drift_pct is None else [f"{peak:.2f}"]),
            ]  # fmt: skip
            elapsed_s, distance_m, row = elapsed_s + 3, distance_m + 3 * speed_m_s, row + 1


def write_club(inbox: Path, athletes: dict[str, float | None] = PLANTED, n_runs: int = N_RUNS) -> None:
    for athlete_id, drift_pct in athletes.items():
        draw = random.Random(athlete_id)
        (inbox / athlete_id).mkdir(parents=True)
        for day in range(n_runs):
            headers = ["time_utc", "distance_m", "cadence_spm", "altitude_m"]
            with (inbox / athlete_id / f"{day}.csv").open("w", newline="") as file:
                sheet = csv.writer(file)
                sheet.writerow(headers if drift_pct is None else [*headers, "Peak tibial (g)"])
                sheet.writerows(rows_of_run(draw, drift_pct, datetime(2026, 3, 1 + 3 * day, 8, tzinfo=UTC)))
    (inbox / "settings.toml").write_text(SETTINGS, encoding="utf-8")


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The club, taken through the line by two workers. Only to be read."""
    with shared_folder("own_metric", tmp_path_factory) as folder:
        if not (folder / "store").exists():
            write_club(folder / "inbox")
            refresh(read_inbox(folder / "inbox"), folder / "store", jobs=2)
        return folder / "store"


@pytest.fixture
def metric(store: Path) -> Metric:
    (own,) = settings_of(store).registry.own
    return own


def test_the_planted_drift_is_in_its_interval_and_the_finding_is_right(store: Path):
    rows = read_table(store, "athlete_drift").filter(pl.col("metric") == "tibial_peak_g")
    found = {row["athlete_id"]: row for row in rows.iter_rows(named=True)}
    assert {name: row["finding"] for name, row in found.items()} == {"ari": "rises", "bea": "holds", "cyd": "falls"}
    for athlete_id, row in found.items():
        assert row["drift_low"] <= PLANTED[athlete_id] <= row["drift_high"]
        assert row["response_to_speed"] == pytest.approx(RESPONSE, abs=0.3)
        assert row["smallest_change_pct"] == 2.5


def test_it_is_on_every_page_and_in_every_export(store: Path, metric: Metric):
    assert places_without(metric, store) == ["the page of the methods"]
    assert "tibial_peak_g" in (store / "pages" / "methods.html").read_text(encoding="utf-8"), "as a setting"
    exported = pl.read_csv(store / "exports" / "splits.csv")
    assert exported.columns[-2:] == ["tibial_peak_g", "tibial_peak_share"]


def test_a_row_of_splits_is_the_mean_of_its_samples_and_says_how_much_was_measured(store: Path):
    run_id = read_table(store, "runs").filter(pl.col("athlete_id") == "ari")["run_id"][0]
    samples = read_table(store, "samples").filter(pl.col("run_id") == run_id, pl.col("gait") == "run")
    split = read_table(store, "splits").filter(pl.col("run_id") == run_id, pl.col("km") == 4).row(0, named=True)
    inside = samples.filter(pl.col("distance_m").is_between(3010, 3990))
    assert split["tibial_peak_g"] == pytest.approx(inside["tibial_peak_g"].mean(), rel=0.01)
    n_missing = inside["tibial_peak_g"].null_count()
    assert n_missing == N_ABSURD
    assert split["tibial_peak_share"] == pytest.approx(1 - n_missing / inside.height, abs=0.01)


def test_what_is_not_plausible_and_what_the_sensor_did_not_measure_is_excluded_and_counted(store: Path):
    rows = read_table(store, "exclusions").filter(pl.col("quantity") == "tibial_peak_g")
    counts = rows.group_by("reason").agg(pl.col("n_samples").unique())
    assert dict(counts.iter_rows()) == {
        "outside of the range that settings.toml gives": [N_ABSURD],
        "zero: the sensor had no reading": [N_ZERO],
    }
    quality = read_table(store, "quality").filter(pl.col("quantity") == "tibial_peak_g")
    assert quality.height == N_RUNS * len(PLANTED)
    shares = quality.group_by("athlete_id").agg(pl.col("measured_share").max()).sort("athlete_id")
    assert shares["measured_share"].to_list() == [pytest.approx(0.99, abs=0.01)] * 3 + [0.0]


def test_the_database_explains_its_columns(store: Path):
    with duckdb.connect(str(store / "splitdrift.duckdb"), read_only=True) as connection:
        told = connection.sql(
            "SELECT table_name, comment FROM duckdb_columns() WHERE column_name = 'tibial_peak_g' ORDER BY 1"
        ).fetchall()
    assert [table for table, _ in told] == ["lap_splits", "run_splits", "samples", "splits"]
    assert all(comment.endswith("[g]") and "Peak tibial (g)" in comment for _, comment in told)


def test_a_study_may_be_of_it(store: Path):
    text = """\
title = "Peaks"
question = "Do they rise?"
least_cell = 1

[cohort]
athletes = ["ari", "bea", "cyd"]

[[analysis]]
name = "ends"
design = "paired_windows"
unit = "run"
metrics = ["tibial_peak_g"]
early_km = [1, 3]
late_km = [7, 9]
"""
    study = read_study(text, name="study.toml", registry=settings_of(store).registry)
    result = conduct(study, store)
    (change,) = result.results.filter(pl.col("statistic") == "change_pct").iter_rows(named=True)
    expected = sum(100 * ((1 + drift / 100) ** 0.6 - 1) for drift in (6.0, 0.0, -5.0)) / 3
    assert change["low"] <= expected <= change["high"]


def test_the_terminal_names_it(store: Path):
    shown = CliRunner().invoke(main, ["show", "--store", str(store)], env={"COLUMNS": "200"}).output
    assert "tibial peak +" in shown
    rows = CliRunner().invoke(main, ["show", "splits", "--store", str(store), "--where", "tibial_peak_g > 5", "--csv"])
    assert rows.exit_code == 0, rows.output
    assert rows.output.splitlines()[0].endswith("tibial_peak_g,tibial_peak_share")


def test_the_column_is_known_to_the_command_columns_and_to_check(tmp_path: Path):
    write_club(tmp_path / "inbox", {"ari": 0.0}, n_runs=1)
    told = CliRunner().invoke(main, ["columns", str(tmp_path / "inbox" / "ari" / "0.csv")], env={"COLUMNS": "200"})
    assert '"Peak tibial (g)" = "tibial_peak_g"' in told.output
    said = CliRunner().invoke(
        main, ["check", "--inbox", str(tmp_path / "inbox"), "--jobs", "1", "-v"], env={"COLUMNS": "200"}
    )
    assert "A run with cadence, tibial peak, altitude." in said.output


@pytest.mark.usefixtures("no_outputs")
def test_without_its_entry_everything_is_as_if_it_had_never_been(tmp_path: Path):
    inbox, settings = tmp_path / "inbox", tmp_path / "inbox" / "settings.toml"
    write_club(inbox, {"ari": 6.0}, n_runs=3)
    settings.write_text('pages = "none"\n', encoding="utf-8")
    refresh(read_inbox(inbox), tmp_path / "never", jobs=1)
    settings.write_text('pages = "none"\n' + SETTINGS, encoding="utf-8")
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)
    assert "tibial_peak_g" in read_table(tmp_path / "store", "splits").columns
    settings.write_text('pages = "none"\n', encoding="utf-8")
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)
    for table in ("samples", "splits", "lap_splits", "quality", "athlete_drift", "run_drift", "recordings"):
        assert read_table(tmp_path / "store", table).equals(read_table(tmp_path / "never", table)), table


@pytest.mark.usefixtures("no_outputs")
def test_a_recording_of_the_sensor_alone_gives_its_values_to_the_run(tmp_path: Path):
    """An insole without distance, next to the watch that has it."""
    inbox = tmp_path / "inbox"
    write_club(inbox, {"ari": 0.0}, n_runs=1)
    rows = list(csv.reader((inbox / "ari" / "0.csv").read_text().splitlines()))
    for name, columns in (("watch", (0, 1, 2)), ("insole", (0, 4))):
        with (inbox / "ari" / f"{name}.csv").open("w", newline="") as file:
            csv.writer(file).writerows([row[place] for place in columns] for row in rows)
    (inbox / "ari" / "0.csv").unlink()
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)
    (duplicate,) = read_table(tmp_path / "store", "recordings").filter(pl.col("status") == "duplicate").to_dicts()
    assert (duplicate["path"], duplicate["joined_quantities"]) == ("ari/insole.csv", "tibial peak")
    assert read_table(tmp_path / "store", "splits")["tibial_peak_g"].count() > 5

"""For notebooks: a store and a recording as frames and charts, and the example, cell by cell."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import altair as alt
import polars as pl
import pytest

from pipeline import read_recording, read_store
from pipeline.core.errors import NothingDone, UsageError
from pipeline.notebook import Store
from pipeline.pages.traces import traced
from pipeline.store.layout import read_table
from pipeline.tables import TABLES
from tests.support.demo_store import CLUB, Refreshed
from tests.support.fit_runs import fit_run

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "data" / "notebooks" / "first-look.ipynb"


@pytest.fixture(scope="module")
def store(demo: Refreshed) -> Store:
    return read_store(demo.store)


# --- A store ---------------------------------------------------------------------------------------------------------


def test_every_table_is_read_by_name(store: Store, demo: Refreshed):
    assert store.tables == tuple(TABLES)
    for name in ("runs", "athlete_drift", "splits"):
        assert store.table(name).equals(read_table(demo.store, name))


def test_a_query_sees_every_table_and_changes_nothing(store: Store):
    n_splits = store.sql("SELECT count(*) AS n FROM run_splits")["n"][0]
    assert n_splits == store.table("splits").height
    for query in ("DROP TABLE runs", "SELECT nothing FROM nowhere"):
        with pytest.raises(UsageError):
            store.sql(query)


def test_the_samples_of_a_run_are_those_of_the_table(store: Store):
    run_id = store.table("runs")["run_id"][0]
    expected = store.table("samples").filter(pl.col("run_id") == run_id)
    assert store.samples_of(run_id).equals(expected)


def test_a_runs_chart_has_a_panel_per_quantity_with_its_readings(store: Store):
    run_id = store.table("runs").filter(pl.col("athlete_id") == "brine")["run_id"][0]
    chart = store.run_chart(run_id)
    assert isinstance(chart, alt.VConcatChart)
    drawn = chart.to_dict()
    assert set(drawn["datasets"]) == set(traced())
    assert "contact time, ms, over distance, km" in [panel["title"] for panel in drawn["vconcat"]]
    cadence = [row["value"] for row in drawn["datasets"]["cadence_spm"]]
    assert 150 < min(cadence) < max(cadence) < 200
    assert "var(--" not in json.dumps(drawn), "colours of a style sheet mean nothing outside its pages"
    assert len(store.run_chart(run_id, ["speed_m_s"]).to_dict()["vconcat"]) == 1


def test_an_athletes_chart_has_the_numbers_of_the_table(store: Store):
    drawn = store.athlete_chart("brine").to_dict()["datasets"]
    rows = store.table("athlete_drift").filter(pl.col("athlete_id") == "brine")
    row = rows.row(by_predicate=pl.col("metric") == "contact_time_ms", named=True)
    shown = {one["part"]: one["percent"] for one in drawn["parts"] if one["metric"] == "contact time"}
    assert shown == {
        "pace": row["speed_part_pct"], "hill": row["slope_part_pct"], "what remains": row["drift_pct_per_10km"],
    }  # fmt: skip


def test_what_is_not_there_is_named(store: Store, tmp_path: Path):
    run_id = store.table("runs")["run_id"][0]
    with pytest.raises(UsageError, match="There is no run_id 'nobody' in runs"):
        store.run_chart("nobody")
    with pytest.raises(UsageError, match="There is no trace of 'mood'"):
        store.run_chart(run_id, ["mood"])
    with pytest.raises(UsageError, match="There is no athlete_id 'nobody' in runs"):
        store.athlete_chart("nobody")
    with pytest.raises(NothingDone, match="No metric of pip has an estimate"):
        store.athlete_chart("pip")
    with pytest.raises(NothingDone, match="is not a store yet"):
        read_store(tmp_path)


# --- A recording -----------------------------------------------------------------------------------------------------


def test_a_recording_gives_the_samples_and_splits_of_a_refresh(demo: Refreshed):
    row = (
        demo.table("recordings")
        .filter(pl.col("status") == "accepted", pl.col("path") == pl.col("file"))
        .row(0, named=True)
    )
    recorded = read_recording(CLUB / row["path"])
    assert recorded.recordings["status"].to_list() == ["accepted"]
    in_store = demo.table("samples").filter(pl.col("run_id") == row["run_id"])
    assert recorded.samples.drop("run_id").equals(in_store.drop("run_id"))
    splits = demo.table("splits").filter(pl.col("run_id") == row["run_id"])
    # Stiffness needs the mass of the roster.
    columns = ["km", "length_m", "speed_m_s", "cadence_spm", "contact_time_ms", "slope_pct"]
    assert recorded.splits.select(columns).equals(splits.select(columns))


def test_a_rejected_recording_says_why_and_has_no_rows(tmp_path: Path):
    (tmp_path / "a.fit").write_bytes(b"broken")
    recorded = read_recording(tmp_path / "a.fit")
    assert recorded.recordings["status"].to_list() == ["rejected"]
    assert recorded.recordings["reason"][0]
    assert (recorded.samples.height, recorded.splits.height) == (0, 0)


def test_columns_and_settings_apply(tmp_path: Path):
    text = "time_epoch_s,distance_m,Cadence\n" + "".join(f"{1773478800 + s},{3 * s},85\n" for s in range(1000))
    (tmp_path / "a.csv").write_text(text)
    (tmp_path / "columns.toml").write_text('[columns]\n"Cadence" = "cadence_strides_min"\n')
    (tmp_path / "settings.toml").write_text("split_length_m = 500\n")
    recorded = read_recording(tmp_path / "a.csv", settings=tmp_path / "settings.toml")
    assert recorded.samples["cadence_spm"].drop_nulls().unique().to_list() == [170.0]
    assert recorded.splits["length_m"].to_list()[:5] == [500.0] * 5
    (tmp_path / "b.fit").write_bytes(fit_run(km=2))
    assert read_recording(tmp_path / "b.fit").splits["length_m"].to_list() == [1000.0, 1000.0]
    with pytest.raises(UsageError, match="There is no file"):
        read_recording(tmp_path / "absent.fit")


# --- The example -----------------------------------------------------------------------------------------------------


def test_the_example_runs_from_top_to_bottom(demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "demo-store").symlink_to(demo.store)
    monkeypatch.chdir(tmp_path)
    cells = json.loads(EXAMPLE.read_text(encoding="utf-8"))["cells"]
    assert not any(cell.get("outputs") for cell in cells), "outputs are not kept"
    names: dict[str, object] = {}
    shown = []
    for cell in cells:
        if cell["cell_type"] == "code":
            *statements, last = ast.parse("".join(cell["source"])).body
            exec(compile(ast.Module(statements, []), str(EXAMPLE), "exec"), names)
            assert isinstance(last, ast.Expr), "a cell ends with what it shows"
            shown.append(eval(compile(ast.Expression(last.value), str(EXAMPLE), "eval"), names))
    kinds = {type(one).__name__ for one in shown}
    assert kinds == {"tuple", "DataFrame", "LayerChart", "int", "VConcatChart"}
    assert all(one.height > 0 for one in shown if isinstance(one, pl.DataFrame))

"""`--json`: one document on the standard output, with the keys that are documented and the rows of the tables."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.commands.as_json import documents, print_json, rows_of
from pipeline.store.layout import read_table
from tests.support.demo_store import Refreshed
from tests.support.fit_runs import fit_run

pytestmark = pytest.mark.usefixtures("no_workers")

Make = Callable[[Mapping[str, bytes | str]], Path]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def document(command: str, result: Result) -> dict[str, object]:
    parsed: dict[str, object] = json.loads(result.stdout)
    assert list(parsed) == list(documents()[command])
    return parsed


def test_check_gives_every_row_of_the_ledger(tiny_inbox: Make):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})
    result = run("check", "--inbox", inbox, "--json", "--strict")
    assert (result.exit_code, result.stderr) == (3, "")
    told = document("check", result)
    assert (told["n_files"], told["statuses"]) == (2, {"accepted": 1, "rejected": 1})
    assert [(row["path"], row["status"]) for row in told["recordings"]] == [
        ("ari/a.fit", "accepted"), ("ari/b.fit", "rejected"),
    ]  # fmt: skip


@pytest.mark.usefixtures("no_outputs")
def test_refresh_gives_what_is_new(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})
    words = ("refresh", "--inbox", inbox, "--store", tmp_path / "store", "--json")
    first = document("refresh", run(*words))
    assert (first["generation"], first["is_new"], len(first["recordings"])) == ("000001", True, 2)
    again = document("refresh", run(*words))
    assert (again["generation"], again["is_new"], again["recordings"], again["n_files"]) == ("000001", False, [], 2)
    (inbox / "ari" / "c.fit").write_bytes(fit_run("2026-03-15T09:00:00", km=1))
    third = document("refresh", run(*words))
    assert [row["path"] for row in third["recordings"]] == ["ari/c.fit"]


def test_show_gives_the_rows_of_a_table(demo_store: Path):
    told = document("show", run("show", "runs", "--store", demo_store, "--json"))
    runs = read_table(demo_store, "runs")
    assert told["table"] == "runs"
    assert [row["run_id"] for row in told["rows"]] == runs["run_id"].to_list()
    assert told["rows"][0]["started_at_utc"] == f"{runs['started_at_utc'][0]:%Y-%m-%dT%H:%M:%SZ}"
    assert document("show", run("show", "--store", demo_store, "--json"))["table"] == "athlete_drift"


@pytest.mark.slow
def test_calibrate_gives_its_rates(small: Refreshed, tmp_path: Path):
    store = tmp_path / "store"
    shutil.copytree(small.store, store, symlinks=True, copy_function=os.link)
    told = document("calibrate", run("calibrate", "--store", store, "--draws", "1", "--json"))
    assert told["rows"] == rows_of(read_table(store, "calibration"))


def test_times_are_iso_and_what_is_no_number_is_null():
    frame = pl.DataFrame(
        {
            "at": [datetime(2026, 3, 14, 9, tzinfo=UTC), None],
            "on": [date(2026, 3, 14), None],
            "value": [1.5, float("nan")],
            "n": [1, None],
        }
    )
    assert rows_of(frame) == [
        {"at": "2026-03-14T09:00:00Z", "on": "2026-03-14", "value": 1.5, "n": 1},
        {"at": None, "on": None, "value": None, "n": None},
    ]


def test_a_document_with_other_keys_than_the_documented_ones_is_a_fault():
    with pytest.raises(KeyError, match="calibrate"):
        print_json("calibrate", {"table": "calibration"})


def test_errors_are_on_the_other_output_with_their_exit_code(tmp_path: Path):
    result = run("show", "runs", "--store", tmp_path, "--json")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "is not a store yet" in result.stderr

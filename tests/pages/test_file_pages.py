"""The pages of files: every file with what became of it."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.core.metrics import METRICS
from pipeline.core.quality_rules import FAULTS
from pipeline.pages import file_pages as module
from pipeline.pages.file_pages import FILES_PER_PAGE, file_pages
from pipeline.pages.language import Language
from pipeline.pages.units import Units
from tests.support.rows_in_memory import Row, RowsInMemory, file, run

ENGLISH = Language("en", Units("km", "min/km"))


def files(*rows: Row, **more: Any) -> list[dict[str, Any]]:
    return file_pages(RowsInMemory(runs=[run()], recordings=list(rows), **more), ENGLISH)


def test_refused_files_come_first_and_used_ones_last():
    (page,) = files(
        file("a/accepted"), file("b/salvaged", "salvaged"), file("c/duplicate", "duplicate"),
        file("d/not", "not_running"), file("f/rejected", "rejected"), file("e/rejected", "rejected"),
    )  # fmt: skip
    assert [(one["path"], one["status"]) for one in page["files"]] == [
        ("e/rejected", "refused"), ("f/rejected", "refused"), ("d/not", "no run"), ("c/duplicate", "duplicate"),
        ("b/salvaged", "salvaged"), ("a/accepted", "accepted"),
    ]  # fmt: skip
    assert page["counts"] == [
        ("refused", 2), ("accepted", 1), ("duplicate", 1), ("no run", 1), ("salvaged", 1),
    ]  # fmt: skip


def test_sessions_of_a_file_are_told_apart():
    (page,) = files(file("a/a.fit"), file("a/a.fit", session=2))
    assert [one["path"] for one in page["files"]] == ["a/a.fit", "a/a.fit (session 2)"]


@pytest.mark.parametrize(
    ("n", "sizes"),
    [(1, [1]), (4, [4]), (5, [4, 1]), (8, [4, 4]), (9, [4, 4, 1])],
)
def test_many_files_are_split_exactly_at_the_boundary(n: int, sizes: list[int], monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(module, "FILES_PER_PAGE", 4)
    found = files(*(file(f"ari/{place:02d}") for place in range(n)))
    assert [len(page["files"]) for page in found] == sizes
    names = ["files.html", "files-2.html", "files-3.html"][: len(sizes)]
    assert [page["page"] for page in found] == names
    assert all(page["pages"] == names for page in found)
    assert [page["is_first"] for page in found] == [True, *[False] * (len(sizes) - 1)]
    assert [one["path"] for page in found for one in page["files"]] == [f"ari/{place:02d}" for place in range(n)]


def test_so_many_files_are_on_a_page():
    assert FILES_PER_PAGE == 2000
    assert [len(page["files"]) for page in files(*(file(f"ari/{place}") for place in range(2001)))] == [2000, 1]


def test_names_and_reasons_are_left_out_where_athletes_are_codes():
    rows = [
        file("ari/ari at home.fit", "rejected", reason="Ari's watch", fix="Ask Ari."),
        file("stray.fit", "rejected", athlete_id=None),
    ]
    (page,) = files(*rows, is_coded=True)
    club = RowsInMemory(is_coded=True)
    expected = [f"{club.shown('ari')}, {rows[0]['sha256'][:8]}", f"no athlete, {rows[1]['sha256'][:8]}"]
    assert [one["path"] for one in page["files"]] == sorted(expected)
    assert {(one["reason"], one["fix"]) for one in page["files"]} == {("", None)}


def test_the_order_of_files_does_not_tell_whose_codes_are():
    rows = [file(f"{name}/a.fit") for name in ("ari", "bea", "cyd", "dov", "eli")]
    (page,) = files(*rows, is_coded=True)
    shown = [one["path"] for one in page["files"]]
    assert shown == sorted(shown)


def test_devices_are_counted_most_frequent_first():
    runs = [run(day=1), run(day=2, device=None), run(day=3, device=None), run(day=4, device="a watch")]
    (page,) = file_pages(RowsInMemory(runs=runs, recordings=[file("ari/a.fit")]), ENGLISH)
    assert page["devices"] == [("not named in the file", 2), ("a watch", 1), ("harbour watch", 1)]
    assert page["altitudes"] == [("altimeter: steady", 4)]
    assert page["sensors"] == [("one sensor per quantity, in native fields", 4)]


def split(run_id: str, **metrics: float | None) -> Row:
    return {
        "run_id": run_id, "athlete_id": "ari", "km": metrics.pop("km", 1), "length_m": 1000.0, "moving_s": 300.0,
        "running_s": 300.0, "run_share": 1.0, "speed_m_s": 3.3, "n_valid": 300,
    } | metrics  # fmt: skip


def test_a_run_lacks_a_quantity_only_where_no_split_has_it():
    splits = [
        split("ari-1", cadence_spm=170.0),
        split("ari-1", km=2, contact_time_ms=240.0),
        split("ari-2", cadence_spm=170.0),
    ]
    (page,) = file_pages(RowsInMemory(runs=[run(), run(day=2)], recordings=[file("ari/a.fit")], splits=splits), ENGLISH)
    missing = {row["metric"]: row["n"] for row in page["missing"]}
    others = {metric.label: 2 for metric in METRICS if metric.column not in ("cadence_spm", "contact_time_ms")}
    assert missing == {"contact time": 1} | others


def test_what_was_set_aside_is_summed_over_runs_largest_first():
    rows = [
        {"run_id": "ari-1", "quantity": "speed_m_s", "fault": FAULTS[0], "reason": "too fast", "n_samples": 3},
        {"run_id": "ari-2", "quantity": "speed_m_s", "fault": FAULTS[0], "reason": "too fast", "n_samples": 4},
        {"run_id": "ari-1", "quantity": "contact_time_ms", "fault": FAULTS[0], "reason": "zero", "n_samples": 9},
    ]
    (page,) = file_pages(RowsInMemory(runs=[run()], recordings=[file("ari/a.fit")], exclusions=rows), ENGLISH)
    assert page["exclusions"] == [
        {"quantity": "contact time", "reason": "zero", "n_samples": 9, "n_runs": 1},
        {"quantity": "speed", "reason": "too fast", "n_samples": 7, "n_runs": 2},
    ]

"""The pages of files: every file with what became of it."""

from __future__ import annotations

import html
import json
import random
import re
from pathlib import Path
from typing import Any

import pytest

from pipeline.core.metrics import METRICS
from pipeline.core.quality_rules import FAULTS
from pipeline.core.reasons import Reason, as_json, because
from pipeline.inbox.inbox import read_inbox
from pipeline.pages import file_pages as module
from pipeline.pages.file_pages import FILES_PER_PAGE, file_pages
from pipeline.pages.language import Language
from pipeline.pages.units import Units
from pipeline.refresh.refresh import refresh
from pipeline.store.layout import read_table
from tests.fuzz.mutations import mutated
from tests.fuzz.seeds import csv, seeds
from tests.odd.csv_files import cases, several
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
        ("e/rejected", "rejected"), ("f/rejected", "rejected"), ("d/not", "not running"), ("c/duplicate", "duplicate"),
        ("b/salvaged", "salvaged"), ("a/accepted", "accepted"),
    ]  # fmt: skip
    assert page["counts"] == [
        ("rejected", 2), ("accepted", 1), ("duplicate", 1), ("not running", 1), ("salvaged", 1),
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
        file("ari/ari at home.fit", "rejected", reasons=as_json([because(Reason.NO_START, path="ari at home")])),
        file("stray.fit", "rejected", athlete_id=None),
    ]
    (page,) = files(*rows, is_coded=True)
    club = RowsInMemory(is_coded=True)
    expected = [f"{club.shown('ari')}, {rows[0]['sha256'][:8]}", f"no athlete, {rows[1]['sha256'][:8]}"]
    assert [one["path"] for one in page["files"]] == sorted(expected)
    assert {(one["reason"], one["fix"]) for one in page["files"]} == {("", "")}


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


# --- Why files were refused, in the language of the pages ------------------------------------------------------------

#: CSV files that nothing can be read of, or that ask something of their owner.
UNREADABLE = (
    "", "a", "time_utc,distance_m", "time,distance,pace\n1,2,3\n2,3,4", "a;b\n1;2\n2;3", "pase,tiem\n1,2\n2,3",
    "elapsed_s,distance_m\n0,0\n1,2,3", "elapsed_s;distance_m\n0;0\n1;2;3", 'elapsed_s,"distance_m\n0,0\n1,2',
    "elapsed_s;distance_m;speed_m_s\n0;1,234;2.3\n1;2,234;2.4", "elapsed_s;distance_m\n0;1,234\n1;2,234",
    "time_utc,distance_m\n03.04.2026 09:00,0\n03.04.2026 09:01,3", "elapsed_s,cadence_spm\n0,170\n1,171",
    "time_utc,distance_m\n2026-04-03 09:00,0\n2026-04-03 09:01,3", "elapsed_s,elapsed_s,distance_m\n0,0,1\n1,1,2",
    "time_excel_days,distance_m\n46124.3,1\n46124.4,2", "elapsed_s,distance_m\nx,1\ny,2", "lap,elapsed_s\n1,3\n2,4",
    "step_length_m,elapsed_s\n1,0\n1,1", "km,duration_s\n1,300\n3,300", "km,duration_s\n1,300\n,300",
    "km,duration_s\n1,300\n2,", "lap,duration_s,length_m\n1,300,1000\n2,300,", "time_epoch_s,distance_m\n10,0\n11,3",
    "elapsed_s,distance_m,sport\n0,0,yodel\n1,3,yodel", "elapsed_s,distance_m,sport\n0,0,cycling\n1,3,cycling",
)  # fmt: skip
COLUMNS_FILES = (
    'separater = ";"',
    'grain = ""',
    '[columns]\n"a" = "cadence"',
    "[columns]\na = 3",
    "a b",
    "skip_lines = -1",
)


def test_in_german_no_file_is_refused_in_english(tmp_path: Path):
    inbox, source = tmp_path / "inbox", random.Random(7)
    made = {f"own-{place}.csv": text.encode() for place, text in enumerate(UNREADABLE)}
    made |= {f"odd-{place}.csv": case.content for place, case in enumerate([*cases(), *several()])}
    for starts in seeds().values():
        for name, content in starts:
            made |= {f"{n}-{name}": mutated(content, content, source) for n in range(6)} | {f"{name}.pdf": content}
    made |= {"latin/columns.toml": b"\xff", "latin/a.csv": csv()}
    made |= {f"{place}/a.csv": csv() for place in range(len(COLUMNS_FILES))}
    made |= {f"{place}/columns.toml": text.encode() for place, text in enumerate(COLUMNS_FILES)}
    for name, content in made.items():
        (inbox / "ari" / name).parent.mkdir(parents=True, exist_ok=True)
        (inbox / "ari" / name).write_bytes(content)
    (inbox / "ari" / "empty.fit").write_bytes(b"")
    (inbox / "stray.fit").write_bytes(b"")
    (inbox / "settings.toml").write_text('page_language = "de"\nmax_unpacked_mb = 1\n')
    refresh(read_inbox(inbox), tmp_path / "store", jobs=1)

    ledger = read_table(tmp_path / "store", "recordings")
    kinds = {one["kind"] for reasons in ledger["reasons"] for one in json.loads(reasons)}
    assert len(kinds) > 50
    assert {Reason.EMPTY, Reason.NO_ATHLETE, Reason.NO_UTF8, Reason.UNKNOWN_OPTION} <= kinds
    pages = tmp_path / "store" / "pages"
    for name in ("index.html", "files.html"):
        text = (pages / name).read_text(encoding="utf-8")
        shown = html.unescape(re.sub(r"<[^>]+>", " ", re.sub(r'<(\w+)[^>]* class="path".*?</\1>', "", text)))
        # What is written in files, in quotation marks, is theirs.
        told = re.sub(r"\{[^}]*\}|`[^`]*`|„[^“]*“|[\w.]*[._=\"][\w.\"/:-]*", " ", shown)
        english = r"\b(?:the|of|and|with|that|is|are|this|has|have|it|or|not|no|for|run|column)\b"
        assert [told[max(0, at.start() - 80) : at.end() + 80] for at in re.finditer(english, told)] == []
    assert "Die Datei ist leer. Noch einmal vom Gerät kopieren oder exportieren." in shown

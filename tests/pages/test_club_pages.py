"""The pages of the club: what a refresh brought, one line an athlete, every file with what became of it."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline.core.metrics import METRICS
from pipeline.core.settings import Settings
from pipeline.pages import club_pages
from pipeline.pages.club_pages import FILES_PER_PAGE, MOST_LISTED, file_pages, index_page
from pipeline.pages.club_rows import Pages
from tests.support.rows_in_memory import RowsInMemory

NOTHING = {"began_at_utc": "2026-03-20T03:00:00+00:00", "n_new": 0, "n_changed": 0, "n_gone": 0, "n_refused": 0}
Row = dict[str, Any]


def run(athlete_id: str = "ari", day: int = 1, **differing: Any) -> Row:
    return {
        "run_id": f"{athlete_id}-{day}", "athlete_id": athlete_id,
        "started_at_utc": datetime(2026, 3, day, 9, tzinfo=UTC), "distance_km": 10.0,
        "moving_s": 3000.0, "paused_s": 0.0, "altitude": "steady", "speed_source": "device", "device": "harbour watch",
    } | differing  # fmt: skip


def drift(athlete_id: str = "ari", metric: str = "contact_time_ms", finding: str = "holds", **differing: Any) -> Row:
    return {
        "athlete_id": athlete_id, "metric": metric, "finding": finding, "n_runs": 9, "n_splits": 99,
        "drift_pct_per_10km": 3.0, "drift_low": 2.0, "drift_high": 4.0, "smallest_change_pct": 2.0,
    } | differing  # fmt: skip


def file(path: str, status: str = "accepted", **differing: Any) -> Row:
    return {
        "path": path, "session": 1, "file": path.partition("!")[0], "sha256": hashlib.sha256(path.encode()).hexdigest(),
        "athlete_id": path.partition("/")[0], "run_id": None, "format": "fit", "status": status, "reason": "as it is",
        "fix": None, "n_samples": 9,
    } | differing  # fmt: skip


def was(before: str | None, after: str | None, athlete_id: str = "ari", metric: str = "contact_time_ms") -> Row:
    return {"athlete_id": athlete_id, "metric": metric, "before": before, "after": after}


def index(club: RowsInMemory, findings: list[Row] | None = None, **told: Any) -> dict[str, Any]:
    pages = Pages(Path("nowhere"), None, Settings(), "token")
    return index_page(pages, club, NOTHING | {"findings": findings or []} | told)


def club(*drifts: Row, runs: list[Row] | None = None, **more: Any) -> RowsInMemory:
    since = {(row["athlete_id"], row["metric"]): more.pop("day", "2026-03-01") for row in drifts}
    athletes = sorted({row["athlete_id"] for row in drifts}) or ["ari"]
    return RowsInMemory(
        runs=runs or [run(one) for one in athletes], athlete_drift=list(drifts), **{"since": since} | more
    )


# --- What a refresh brought -------------------------------------------------------------------------------------------


def test_a_changed_finding_says_what_it_was_and_is_with_its_size():
    found = index(club(drift(finding="rises")), [was("unclear", "rises")])
    assert found["changed"] == [
        {
            "name": "ari", "address": "athletes/ari/index.html", "metric": "contact time", "before": "not clear",
            "after": "rises", "size": "+3.0 % (+2.0 to +4.0)",
        }
    ]  # fmt: skip
    assert found["n_first_seen"] == 0


def test_a_finding_without_a_size_has_none():
    few = drift(finding="too_little_data", drift_pct_per_10km=None, drift_low=None, drift_high=None)
    (one,) = index(club(few), [was("holds", "too_little_data")])["changed"]
    assert (one["before"], one["after"], one["size"]) == ("holds", "too few runs", "")


def test_an_athlete_seen_first_is_counted_not_listed():
    found = index(club(drift(), drift("bea")), [was(None, "holds", "bea"), was(None, "holds", "bea", "cadence_spm")])
    assert (found["changed"], found["n_first_seen"]) == ([], 1)


def test_a_first_refresh_says_so_names_whom_it_found_nothing_of_and_dates_nothing():
    few = {"finding": "too_little_data", "drift_pct_per_10km": None, "drift_low": None, "drift_high": None}
    people = club(
        drift(finding="rises"), drift("bea", n_runs=2, **few),
        runs=[run("ari"), run("bea"), run("cyd")],
        recordings=[file("ari/a.fit"), file("ari/a.fit", session=2), file("dov/d.fit", "rejected")],
    )  # fmt: skip
    found = index(people, [was(None, "rises"), was(None, "too_little_data", "bea")], n_new=2)
    assert found["is_first"]
    assert found["without"] == [
        {"name": "bea", "reason": "Cannot be said yet: 2 of 3 runs"},
        {"name": "cyd", "reason": "Nothing of form was recorded"},
        {"name": "dov", "reason": "No run was read"},
    ]
    assert (found["n_recordings"], found["n_files"]) == ("3 recordings", "2 files")
    assert found["athletes"][0]["since"] is None


@pytest.mark.parametrize(
    ("findings", "counts"),
    [([], {}), ([was("holds", "rises")], {}), ([was(None, "rises")], {"n_gone": 1})],
    ids=["none new", "one was another", "a file is gone"],
)
def test_a_later_refresh_is_not_called_the_first(findings: list[Row], counts: Row):
    found = index(club(drift(finding="rises")), findings, **counts)
    assert not found["is_first"]
    assert found["athletes"][0]["since"] == "2026-03-01"


def test_a_metric_that_is_new_of_a_known_athlete_is_listed():
    found = index(
        club(drift(), drift(metric="cadence_spm")), [was("unclear", "holds"), was(None, "holds", metric="cadence_spm")]
    )
    assert [(one["metric"], one["before"]) for one in found["changed"]] == [
        ("cadence", "not looked at"), ("contact time", "not clear"),
    ]  # fmt: skip
    assert found["n_first_seen"] == 0


def test_an_athlete_who_is_gone_has_no_page_to_lead_to():
    (one,) = index(club(drift()), [was("rises", None, "bea")])["changed"]
    assert (one["name"], one["address"], one["after"]) == ("bea", None, "no run is left")


def test_nothing_changed_and_nothing_came_in():
    found = index(club(drift()))
    assert (found["came_in"], found["changed"], found["n_first_seen"], found["refused"]) == ([], [], 0, [])
    assert found["refreshed_on"] == "2026-03-20"


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ({"n_new": 1}, ["1 new file"]),
        ({"n_new": 2, "n_gone": 1}, ["2 new files", "1 file gone"]),
        ({"n_changed": 1, "n_refused": 2}, ["1 file read anew", "2 files refused"]),
        ({"n_changed": 3, "n_gone": 2, "n_refused": 1}, ["3 files read anew", "2 files gone", "1 file refused"]),
    ],
    ids=str,
)
def test_what_came_in_is_counted_in_words(counts: Row, words: list[str]):
    assert index(club(drift()), **counts)["came_in"] == words


@pytest.mark.parametrize("n", [MOST_LISTED, MOST_LISTED + 1])
def test_of_many_changes_so_many_are_listed_and_the_rest_counted(n: int):
    names = [f"a{place:02d}" for place in range(n)]
    found = index(club(*(drift(name) for name in names)), [was("rises", "holds", name) for name in names])
    assert [one["name"] for one in found["changed"]] == names[:MOST_LISTED]
    assert found["n_more_changed"] == n - MOST_LISTED


@pytest.mark.parametrize("n", [0, 1, MOST_LISTED, MOST_LISTED + 1])
def test_refused_files_are_listed_with_what_to_do(n: int):
    files = [file(f"ari/{place:02d}.fit", "rejected", reason="empty", fix="Copy it again.") for place in range(n)]
    found = index(club(drift(), recordings=[*files, file("ari/good.fit")]))
    assert found["n_refused"] == n
    assert len(found["refused"]) == min(n, MOST_LISTED)
    assert all((one["reason"], one["fix"]) == ("empty", "Copy it again.") for one in found["refused"])


# --- One line an athlete ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("runs", "words"),
    [
        ([run()], ("1 run", "1 athlete")),
        ([run(), run(day=2)], ("2 runs", "1 athlete")),
        ([run(), run("bea")], ("2 runs", "2 athletes")),
    ],
)
def test_the_club_is_counted(runs: list[Row], words: tuple[str, str]):
    found = index(club(runs=runs))
    assert (found["n_runs"], found["n_athletes"]) == words


def test_a_line_holds_runs_distance_and_the_last_day():
    (line,) = index(club(drift(), runs=[run(day=3), run(day=1, distance_km=5.6)]))["athletes"]
    assert (line["n_runs"], line["n_km"], line["last_run"]) == (2, "16", datetime(2026, 3, 3, 9, tzinfo=UTC))


def test_findings_are_in_their_column_in_the_order_of_the_metrics():
    (line,) = index(
        club(
            drift(metric="duty_factor", finding="too_little_data"),
            drift(metric="contact_time_ms", finding="rises"),
            drift(metric="cadence_spm", finding="holds"),
            drift(metric="heart_rate_bpm", finding="unclear"),
            drift(metric="flight_time_ms", finding="holds"),
        )
    )["athletes"]
    assert [one["words"] for one in line["changes"]] == ["contact time rises +3.0 % (+2.0 to +4.0)"]
    assert (line["holds"], line["unclear"], line["few"]) == (["cadence", "flight time"], [], ["duty factor"])
    assert line["effort"] == "heart rate not clear"
    assert set(line["findings"].split()) == {
        "cadence_spm:holds",
        "contact_time_ms:rises",
        "flight_time_ms:holds",
        "duty_factor:too_little_data",
        "heart_rate_bpm:unclear",
    }
    assert (line["verdict"], line["form"]) == ("Form changes; no place stands out", "changes")


def test_an_athlete_of_whom_nothing_was_recorded_says_so():
    (line,) = index(club(runs=[run()]))["athletes"]
    assert (line["verdict"], line["form"]) == ("Nothing of form was recorded", "open")
    assert (line["findings"], line["changes"], line["effort"]) == ("", [], "")


def test_the_heart_neither_sorts_nor_counts_as_form():
    (line,) = index(club(drift(), drift(metric="heart_rate_bpm", finding="rises", drift_pct_per_10km=9.0)))["athletes"]
    assert (line["largest"], line["form"], line["verdict"]) == ("0.00", "holds", "Form holds")
    assert line["changes"] == []
    assert line["effort"] == "heart rate rises +9.0 % (+2.0 to +4.0)"


def test_lines_are_sorted_by_the_largest_change_in_units_of_what_matters():
    rows = [
        drift(finding="rises", drift_pct_per_10km=3.0, smallest_change_pct=2.0),
        drift(metric="cadence_spm", finding="falls", drift_pct_per_10km=-2.5, smallest_change_pct=1.0),
        drift(metric="flight_time_ms", finding="holds", drift_pct_per_10km=90.0),
    ]
    assert [line["largest"] for line in index(club(*rows, drift("bea")))["athletes"]] == ["2.50", "0.00"]


def test_one_day_of_all_changes_is_said_once_and_several_each():
    rows = [drift(finding="rises"), drift(metric="cadence_spm", finding="falls")]
    (line,) = index(club(*rows))["athletes"]
    assert (line["since"], [one["since"] for one in line["changes"]]) == ("2026-03-01", [None, None])
    days = {("ari", "contact_time_ms"): "2026-03-02", ("ari", "cadence_spm"): "2026-03-05"}
    (line,) = index(club(*rows, since=days))["athletes"]
    assert (line["since"], [one["since"] for one in line["changes"]]) == (None, ["2026-03-05", "2026-03-02"])


def test_few_newcomers_are_marked_and_a_whole_club_of_them_is_not():
    known = club(*(drift(name) for name in ("ari", "bea", "cyd")))
    one_new = index(known, [was(None, "holds", "cyd")])["athletes"]
    assert [line["is_new"] for line in one_new] == [False, False, True]
    most_new = index(known, [was(None, "holds", "bea"), was(None, "holds", "cyd")])["athletes"]
    assert [line["is_new"] for line in most_new] == [False] * 3


def test_where_athletes_are_codes_the_lines_are_in_order_of_the_codes():
    names = ["ari", "bea", "cyd", "dov", "eli"]
    coded = club(*(drift(name, finding="rises") for name in names), is_coded=True)
    found = index(coded, [was("holds", "rises", name) for name in names])
    shown = [line["name"] for line in found["athletes"]]
    assert shown == sorted(coded.shown(name) for name in names) != [coded.shown(name) for name in names]
    assert [one["name"] for one in found["changed"]] == shown
    assert [row[0] for row in found["data"]["metrics"]["contact_time_ms"]["rows"]] == shown


def test_what_is_drawn_of_a_metric_is_everybody_with_an_estimate():
    few = drift("bea", finding="too_little_data", drift_pct_per_10km=None, drift_low=None, drift_high=None)
    found = index(club(drift(drift_pct_per_10km=2.97, drift_low=2.226, drift_high=3.72), few))
    assert found["data"]["metrics"]["contact_time_ms"] == {"matters": 2.0, "rows": [["ari", 3.0, 2.2, 3.7, "holds"]]}
    assert found["data"]["metrics"]["cadence_spm"] == {"matters": None, "rows": []}
    assert [metric.column for metric in found["metrics"]] == ["contact_time_ms"]


def test_a_complaint_that_is_not_over_stands_in_the_line_without_its_words_where_athletes_are_codes():
    over, still = complaint("2026-02-01", "2026-02-09"), complaint("2026-03-03", None)
    named, coded = (
        index(club(drift(), complaints=[over, still], is_coded=is_coded))["athletes"][0]["complaint"]
        for is_coded in (False, True)
    )
    assert (named, coded) == ("A complaint is open since 2026-03-03 (calf)", "A complaint is open since 2026-03-03")
    assert index(club(drift(), complaints=[over]))["athletes"][0]["complaint"] is None


def complaint(begins: str, ends: str | None) -> Row:
    return {"line": 2, "athlete_id": "ari", "from_date": begins, "to_date": ends, "site": "calf", "note": "after hills"}


def test_members_of_an_archive_are_recordings_and_no_files_of_their_own():
    found = index(club(drift(), recordings=[file("ari/a.fit"), file("ari/b.zip!1.fit"), file("ari/b.zip!2.fit")]))
    assert (found["n_recordings"], found["n_files"]) == ("3 recordings", "2 files")


# --- Files ------------------------------------------------------------------------------------------------------------


def files(*rows: Row, **more: Any) -> list[dict[str, Any]]:
    return file_pages(RowsInMemory(runs=[run()], recordings=list(rows), **more))


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
    monkeypatch.setattr(club_pages, "FILES_PER_PAGE", 4)
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
    expected = [f"{club.shown('ari')}, {rows[0]['sha256'][:8]}", f"nobody's, {rows[1]['sha256'][:8]}"]
    assert [one["path"] for one in page["files"]] == sorted(expected)
    assert {(one["reason"], one["fix"]) for one in page["files"]} == {("", None)}


def test_the_order_of_files_does_not_tell_whose_codes_are():
    rows = [file(f"{name}/a.fit") for name in ("ari", "bea", "cyd", "dov", "eli")]
    (page,) = files(*rows, is_coded=True)
    shown = [one["path"] for one in page["files"]]
    assert shown == sorted(shown)


def test_devices_are_counted_most_frequent_first():
    runs = [run(day=1), run(day=2, device=None), run(day=3, device=None), run(day=4, device="a watch")]
    (page,) = file_pages(RowsInMemory(runs=runs, recordings=[file("ari/a.fit")]))
    assert page["devices"] == [("not named in the file", 2), ("a watch", 1), ("harbour watch", 1)]
    assert page["altitudes"] == [("steady", 4)]
    assert page["sensors"] == [("one sensor a quantity, in native fields", 4)]


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
    (page,) = file_pages(RowsInMemory(runs=[run(), run(day=2)], recordings=[file("ari/a.fit")], splits=splits))
    missing = {row["metric"]: row["n"] for row in page["missing"]}
    others = {metric.label: 2 for metric in METRICS if metric.column not in ("cadence_spm", "contact_time_ms")}
    assert missing == {"contact time": 1} | others


def test_what_was_set_aside_is_summed_over_runs_largest_first():
    rows = [
        {"run_id": "ari-1", "quantity": "speed_m_s", "reason": "too fast", "n_samples": 3},
        {"run_id": "ari-2", "quantity": "speed_m_s", "reason": "too fast", "n_samples": 4},
        {"run_id": "ari-1", "quantity": "contact_time_ms", "reason": "zero", "n_samples": 9},
    ]
    (page,) = file_pages(RowsInMemory(runs=[run()], recordings=[file("ari/a.fit")], exclusions=rows))
    assert page["exclusions"] == [
        {"quantity": "contact time", "reason": "zero", "n_samples": 9, "n_runs": 1},
        {"quantity": "speed", "reason": "too fast", "n_samples": 7, "n_runs": 2},
    ]

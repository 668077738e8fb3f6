"""The index of the club: the latest runs, changed findings, and every athlete in one picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.core.reasons import Reason, as_json, because, words
from pipeline.core.settings import Settings
from pipeline.pages.club_pages import LATEST_DAYS, MOST_CHANGING, MOST_RUNS, counts_sentence, index_page
from pipeline.pages.club_rows import Pages
from pipeline.pages.language import Language
from pipeline.pages.squads import MOST_LISTED
from pipeline.pages.units import Units
from tests.support.rows_in_memory import Row, RowsInMemory, file, run

ENGLISH = Language("en", Units("km", "min/km"))
NOTHING = {"began_at_utc": "2026-03-20T03:00:00+00:00", "n_new": 0, "n_changed": 0, "n_gone": 0, "n_refused": 0}


def drift(athlete_id: str = "ari", metric: str = "contact_time_ms", finding: str = "holds", **differing: Any) -> Row:
    return {
        "athlete_id": athlete_id, "metric": metric, "finding": finding, "n_runs": 9, "n_splits": 99,
        "drift_pct_per_10km": 3.0, "drift_low": 2.0, "drift_high": 4.0, "smallest_change_pct": 2.0,
        "change_at_usual_distance_pct": 5.0, "usual_distance_km": 18.0,
    } | differing  # fmt: skip


def was(before: str | None, after: str | None, athlete_id: str = "ari", metric: str = "contact_time_ms") -> Row:
    return {"athlete_id": athlete_id, "metric": metric, "before": before, "after": after}


def index(club: RowsInMemory, findings: list[Row] | None = None, **told: Any) -> dict[str, Any]:
    pages = Pages(Path("nowhere"), None, Settings(), "token")
    return index_page(pages, club, NOTHING | {"findings": findings or []} | told)


def club(*drifts: Row, runs: list[Row] | None = None, **more: Any) -> RowsInMemory:
    athletes = sorted({row["athlete_id"] for row in drifts}) or ["ari"]
    usual = [{name: row[name] for name in ("athlete_id", "metric")} for row in drifts]
    lists = {"runs": runs or [run(one) for one in athletes], "usual": usual} | more
    return RowsInMemory(athlete_drift=list(drifts), **lists)


# --- The latest runs --------------------------------------------------------------------------------------------------


def against(run_id: str, metric: str = "contact_time_ms", comparison: str = "as_usual", **differing: Any) -> Row:
    return {
        "run_id": run_id, "athlete_id": run_id.partition("-")[0], "metric": metric, "drift_pct_per_10km": 3.0,
        "n_other_runs": 9, "usual_pct_per_10km": 2.0, "usual_low": 0.5, "usual_high": 3.5, "comparison": comparison,
    } | differing  # fmt: skip


def latest(found: dict[str, Any]) -> list[dict[str, Any]]:
    """What is listed of the latest runs: what stands open, and what is folded."""
    return [*found["unusual"], *found["quiet"]]


def test_the_latest_runs_are_those_of_seven_days_up_to_the_last_run_of_the_club():
    runs = [run(day=20), run("bea", day=20 - LATEST_DAYS + 1), run("bea", day=20 - LATEST_DAYS)]
    found = index(club(runs=runs))
    assert [(row["name"], row["date"].day) for row in latest(found)] == [("ari", 20), ("bea", 14)]
    assert (found["n_latest"], found["n_more_latest"], found["last_run"].day) == (2, 0, 20)


def test_a_run_is_set_against_the_usual_of_its_athlete_in_words_and_leads_to_its_page():
    rows = [against("ari-2", comparison="more"), against("ari-2", "cadence_spm", "cannot_tell")]
    (row,) = index(club(runs=[run(day=2, kind="race")], run_against_usual=rows))["unusual"]
    assert [cell["word"] for cell in row["cells"]] == ["cannot tell from one run", "lengthens more than usual"]
    assert ' title="+3.0 % per 10 km; usual for such a run: +0.5 to +3.5 %"' in row["cells"][1]["html"]
    assert (row["address"], row["run"]) == ("athletes/ari/index.html", "athletes/ari/2.html")
    assert (row["distance"], row["kind"]) == ("10.0", "race")


def test_what_is_not_as_usual_stands_open_and_the_rest_is_one_line_with_the_names():
    runs = [run("ari", day=4), run("bea", day=3), run("cyd", day=2), run("dan", day=1), run("ari", day=1)]
    rows = [against("ari-4"), against("bea-3"), against("cyd-2", comparison="less"), against("ari-1")]
    found = index(club(runs=runs, run_against_usual=[*rows, against("dan-1", comparison="cannot_tell")]))
    assert [row["name"] for row in found["unusual"]] == ["cyd"]
    assert [row["name"] for row in found["quiet"]] == ["ari", "bea", "ari", "dan"]
    assert found["quiet_words"] == "As usual: ari and bea. Cannot tell from one run: dan."


def test_who_has_a_run_as_usual_and_one_that_cannot_be_told_is_named_with_their_dates():
    runs = [run("ari", day=3), run("bea", day=2), run("ari", day=1)]
    rows = [against("ari-3"), against("bea-2"), against("ari-1", comparison="cannot_tell")]
    found = index(club(runs=runs, run_against_usual=rows))
    assert found["quiet_words"] == "As usual: ari (3 Mar) and bea. Cannot tell from one run: ari (1 Mar)."


def test_how_many_runs_are_not_as_usual_is_counted():
    runs = [run("ari", day=3), run("bea", day=2), run("cyd", day=1)]
    rows = [against("ari-3"), against("bea-2", comparison="cannot_tell"), against("cyd-1", comparison="more")]
    assert index(club(runs=runs, run_against_usual=rows))["n_unusual"] == 1


# --- Who changes ------------------------------------------------------------------------------------------------------


def test_who_changes_is_told_first_with_the_answer_of_the_athletes_page_and_nobody_else():
    rows = [drift("ari"), drift("bea", finding="rises")]
    levels = {"start_level": 240.0, "level_at_usual_distance": 252.0, "usual_distance_km": 18.0}
    found = index(club(*rows, usual=[{"athlete_id": "bea", "metric": "contact_time_ms", **levels}]))
    assert [(row["name"], row["answer"]) for row in found["changing"]] == [
        ("bea", "Contact time gradually lengthens, from 240 to 252 ms by km 18 at the same pace.")
    ]
    assert found["n_changing"] == 1


@pytest.mark.parametrize("n", [MOST_CHANGING, MOST_CHANGING + 1])
def test_of_many_who_change_those_who_change_most_are_told_and_the_rest_counted(n: int):
    names = [f"a{place:02d}" for place in range(n)]
    rows = [drift(name, finding="rises", drift_pct_per_10km=3.0 + place) for place, name in enumerate(names)]
    found = index(club(*rows))
    assert [row["name"] for row in found["changing"]] == names[::-1][:MOST_CHANGING]
    assert found["n_changing"] == n


@pytest.mark.parametrize(
    ("states", "words"),
    [
        ({"few": 10}, "Nothing can be said yet: all 10 have too few runs."),
        ({"few": 1, "nothing": 2}, "Nothing can be said yet: 1 has too few runs, 2 have nothing of form recorded."),
        ({"changes": 4, "steady": 2, "open": 4}, "The others: 2 are steady, 4 cannot be told."),
        (
            {"steady": 1, "open": 183},
            "No athlete's form is found to change along the run: 1 is steady, 183 cannot be told.",
        ),
        ({"open": 1, "few": 1}, "Nothing can be said yet: 1 cannot be told, 1 has too few runs."),
        ({"changes": 3}, ""),
        ({}, ""),
    ],
)
def test_of_how_many_nothing_can_be_said_is_counted(states: dict[str, int], words: str):
    assert counts_sentence(states, ENGLISH) == words


def test_who_has_too_few_runs_is_told_how_many_and_that_no_run_can_be_compared():
    found = index(club(drift(finding="too_little_data", n_runs=1, drift_pct_per_10km=None)))
    assert (found["columns"], found["athletes"][0]["told"]) == ([], "too few runs: 1 of 3")
    assert not found["is_any_judged"]
    assert index(club(runs=[run(day=2)], run_against_usual=[against("ari-2")]))["is_any_judged"]


def test_squads_of_the_roster_are_offered_as_filters_and_none_with_codes():
    roster = [{"athlete_id": "ari", "squad": "lighthouse"}, {"athlete_id": "bea", "squad": "Harbour"}]
    rows = [drift("ari"), drift("bea"), drift("cyd")]
    found = index(club(*rows, roster=roster))
    assert found["squads"] == ["Harbour", "lighthouse"]
    assert {row["name"]: row["squad"] for row in found["athletes"]} == {
        "ari": "lighthouse",
        "bea": "Harbour",
        "cyd": "",
    }
    assert index(club(*rows, roster=roster, is_coded=True))["squads"] == []


@pytest.mark.parametrize("n", [MOST_RUNS, MOST_RUNS + 1])
def test_of_many_runs_so_many_are_listed_and_the_rest_counted(n: int):
    found = index(club(runs=[run(f"a{place:03d}") for place in range(n)]))
    assert (len(latest(found)), found["n_more_latest"], found["n_latest"]) == (MOST_RUNS, n - MOST_RUNS, n)


# --- What a refresh brought -------------------------------------------------------------------------------------------


def test_a_changed_finding_says_what_it_was_and_is():
    found = index(club(drift(finding="rises")), [was("unclear", "rises")])
    assert found["changed"] == [
        {"id": "ari", "name": "ari", "address": "athletes/ari/index.html", "metric": "contact time",
         "before": "cannot tell yet", "after": "rises"}
    ]  # fmt: skip


def test_an_athlete_seen_first_is_not_listed_but_a_metric_new_of_a_known_one_is():
    assert index(club(drift(), drift("bea")), [was(None, "holds", "bea")])["changed"] == []
    findings = [was("unclear", "holds"), was(None, "holds", metric="cadence_spm")]
    found = index(club(drift(), drift(metric="cadence_spm")), findings)
    assert [(row["metric"], row["before"]) for row in found["changed"]] == [
        ("cadence", "not looked at"), ("contact time", "cannot tell yet"),
    ]  # fmt: skip


def test_an_athlete_who_is_gone_has_no_page_to_lead_to():
    (row,) = index(club(drift()), [was("rises", None, "bea")])["changed"]
    assert (row["name"], row["address"], row["after"]) == ("bea", None, "no run is left")


@pytest.mark.parametrize("n", [MOST_LISTED, MOST_LISTED + 1])
def test_of_many_changes_so_many_are_listed_and_the_rest_counted(n: int):
    names = [f"a{place:02d}" for place in range(n)]
    found = index(club(*(drift(name) for name in names)), [was("rises", "holds", name) for name in names])
    assert [row["name"] for row in found["changed"]] == names[:MOST_LISTED]
    assert found["n_more_changed"] == n - MOST_LISTED


@pytest.mark.parametrize("n", [0, 1, MOST_LISTED, MOST_LISTED + 1])
def test_refused_files_are_listed_with_what_to_do(n: int):
    reasons = [because(Reason.EMPTY)]
    files = [file(f"ari/{place:02d}.fit", "rejected", reasons=as_json(reasons)) for place in range(n)]
    found = index(club(drift(), recordings=[*files, file("ari/good.fit")]))
    assert found["n_refused"] == n
    assert len(found["refused"]) == min(n, MOST_LISTED)
    assert all((one["reason"], one["fix"]) == words(reasons) for one in found["refused"])


def test_athletes_of_whom_no_run_was_read_are_named():
    found = index(club(drift(), recordings=[file("ari/a.fit"), file("dov/d.fit", "rejected")]))
    assert found["without"] == ["dov"]


# --- The club in one picture ------------------------------------------------------------------------------------------


def test_the_club_is_counted():
    found = index(club(runs=[run(), run(day=2), run("bea")]))
    assert (found["n_runs"], found["n_athletes"]) == (3, 2)


def test_a_row_has_the_days_since_the_last_run_up_to_that_of_the_club():
    found = index(club(runs=[run(day=3), run("bea", day=9), run("bea", day=1)]))
    assert {row["name"]: (row["days"], row["n_runs"]) for row in found["athletes"]} == {"ari": (6, 1), "bea": (0, 2)}


def test_columns_are_the_facts_then_effort_and_what_follows_is_apart():
    metrics = ("duty_factor", "heart_rate_bpm", "cadence_spm", "contact_time_ms")
    found = index(club(*(drift(metric=metric) for metric in metrics)))
    assert [column["column"] for column in found["columns"]] == ["contact_time_ms", "cadence_spm", "heart_rate_bpm"]
    assert [column["column"] for column in found["derived"]] == ["duty_factor"]
    assert [column["is_effort"] for column in found["columns"]] == [False, False, True]


def test_a_cell_is_a_mark_with_its_number_or_says_why_there_is_none():
    few = {"finding": "too_little_data", "drift_pct_per_10km": None, "drift_low": None, "drift_high": None}
    (row,) = index(club(drift(finding="rises"), drift(metric="cadence_spm", **few), drift(metric="heart_rate_bpm")))[
        "athletes"
    ]
    cell = row["cells"]["contact_time_ms"]
    assert (cell["finding"], cell["text"]) == ("rises", "+3.0")
    assert "<circle" in cell["mark"]
    assert "cadence_spm" not in row["cells"]  # nobody has an estimate of it, so there is no column


def test_who_changes_comes_first_by_the_largest_change_in_units_of_what_matters():
    rows = [
        drift("bea", finding="rises", drift_pct_per_10km=3.0, smallest_change_pct=2.0),
        drift("ari", metric="cadence_spm", finding="falls", drift_pct_per_10km=-2.5, smallest_change_pct=1.0),
        drift("cyd", finding="unclear"), drift("dov", finding="holds"),
        drift("eli", finding="too_little_data", drift_pct_per_10km=None), drift("fay", "heart_rate_bpm", "rises"),
    ]  # fmt: skip
    found = index(club(*rows))["athletes"]
    assert [(row["name"], row["state"]) for row in found] == [
        ("ari", "changes"), ("bea", "changes"), ("cyd", "open"), ("dov", "steady"), ("eli", "few"), ("fay", "nothing"),
    ]  # fmt: skip
    assert [row["largest"] for row in found[:2]] == ["2.50", "1.50"]


def test_where_athletes_are_codes_the_rows_are_in_order_of_the_codes():
    names = ["ari", "bea", "cyd", "dov", "eli"]
    coded = club(*(drift(name, finding="rises") for name in names), is_coded=True)
    found = index(coded, [was("holds", "rises", name) for name in names])
    shown = [row["name"] for row in found["athletes"]]
    assert shown == sorted(coded.shown(name) for name in names) != [coded.shown(name) for name in names]
    assert [row["name"] for row in found["changed"]] == shown


def complaint(begins: str, ends: str | None) -> Row:
    return {"line": 2, "athlete_id": "ari", "from_date": begins, "to_date": ends, "site": "calf", "note": "after hills"}


def test_an_open_complaint_stands_beside_the_name_without_its_words_where_athletes_are_codes():
    over, still = complaint("2026-02-01", "2026-02-09"), complaint("2026-03-03", None)
    named, coded = (
        index(club(drift(), complaints=[over, still], is_coded=is_coded))["athletes"][0]["complaint"]
        for is_coded in (False, True)
    )
    assert (named, coded) == ("complaint since 3 Mar 2026 (calf)", "complaint since 3 Mar 2026")
    assert index(club(drift(), complaints=[over]))["athletes"][0]["complaint"] == ""


def landing(km: float, strike: str, n: int) -> Row:
    return {
        "scope": "athlete", "subject": "ari", "athlete_id": "ari", "distance_km": km, "strike": strike, "n": n,
        "n_seen": 3, "n_one_foot": 0, "share": n / 3, "low": 0.0, "high": 1.0, "n_angles": 0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("late", "words"), [("midfoot", "midfoot"), ("asymmetric", "midfoot → asymmetric"), (None, "midfoot")]
)
def test_the_commonest_landing_is_told_early_and_late(late: str | None, words: str):
    rows = [landing(5, "midfoot", 2), landing(5, "rearfoot", 1), *([landing(15, late, 3)] if late else [])]
    assert index(club(drift(), strike_counts=rows))["athletes"][0]["landing"] == words


def test_who_is_worth_a_look_is_counted_once_for_a_run_a_changed_finding_or_a_complaint():
    rows = [drift(name) for name in ("ari", "bea", "cyd", "dor", "eve")]
    more = {
        "run_against_usual": [against("ari-1", comparison="more"), against("bea-1")],
        "complaints": [{"line": 2, "athlete_id": one, "from_date": "2026-03-01"} for one in ("ari", "dor")],
    }
    assert index(club(*rows, **more))["n_worth_a_look"] == 2
    found = index(club(*rows, **more), findings=[was("holds", "rises", "ari"), was("holds", "rises", "cyd")])
    assert found["n_worth_a_look"] == 3


def test_members_of_an_archive_are_recordings_and_no_files_of_their_own():
    found = index(club(drift(), recordings=[file("ari/a.fit"), file("ari/b.zip!1.fit"), file("ari/b.zip!2.fit")]))
    assert (found["n_recordings"], found["n_files"]) == (3, 2)

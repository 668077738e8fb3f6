"""What the numbers of an athlete say, in sentences: findings, the answer to the first question, what stays open."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.core.metrics import METRICS
from pipeline.pages.units import MINUS, Units
from pipeline.pages.words import (
    cannot_say,
    change_words,
    count_of,
    effort_words,
    finding_words,
    form_state,
    in_order,
    in_short,
    is_change,
    lag_words,
    listed,
    more_than_slowing,
    onset_words,
    verdict,
)
from pipeline.tables.analysed import FINDINGS

KM, MILE = Units("km", "min/km"), Units("mile", "min/mile")
LAST = (
    "Wind, heat, drink, sleep and a sensor that slips are not in the data; what they do to form along a run is in "
    "what remains. How the foot lands is known from video alone."
)


def row(metric: str = "contact_time_ms", finding: str = "rises", **differing: Any) -> dict[str, Any]:
    """A row of athlete_drift: 3 % per 10 km, of which pace and hill explain nothing."""
    return {
        "metric": metric, "finding": finding, "drift_pct_per_10km": 2.97, "drift_low": 2.226, "drift_high": 3.72,
        "raw_pct_per_10km": 1.865, "speed_part_pct": -1.049, "slope_part_pct": -0.026, "onset_km": None,
        "onset_low": None, "onset_high": None, "drift_after_onset_pct": None, "detectable_pct": 1.014, "reason": None,
        "smallest_change_pct": 2.0, "n_runs": 9,
    } | differing  # fmt: skip


ONSET = {"onset_km": 9.5, "onset_low": 5.5, "onset_high": 10.5, "drift_after_onset_pct": 5.363}
FEW = {"drift_pct_per_10km": None, "finding": "too_little_data", "detectable_pct": None}


# --- A finding --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("finding", "words", "changes"),
    [
        ("rises", "rises", True),
        ("falls", "falls", True),
        ("changes_late", "changes late", True),
        ("holds", "holds", False),
        ("unclear", "not clear", False),
        ("too_little_data", "too few runs", False),
    ],
)
def test_each_finding_has_its_words_and_three_of_them_are_changes(finding: str, words: str, changes: bool):
    assert finding_words({"finding": finding}) == words
    assert is_change({"finding": finding}) is changes


def test_no_finding_is_left_without_words():
    assert all("_" not in finding_words({"finding": finding}) for finding in FINDINGS)


def test_metrics_are_told_in_the_order_of_the_tables_whatever_order_they_come_in():
    backwards = [{"metric": metric.column} for metric in reversed(METRICS)]
    assert [one["metric"] for one in in_order(backwards)] == [metric.column for metric in METRICS]


def test_a_change_in_short_has_its_size_interval_and_place():
    assert in_short(row(), KM) == "contact time rises +3.0 % (+2.2 to +3.7)"
    assert in_short(row(**ONSET), KM) == (
        "contact time rises from km 9.5 (5.5 to 10.5), +5.4 % beyond; over whole runs +3.0 % (+2.2 to +3.7)"
    )
    late = in_short(row(finding="changes_late", **ONSET), KM)
    assert late.startswith("contact time changes late from km 9.5 (5.5 to 10.5), +5.4 % beyond;")
    falls = row("cadence_spm", "falls", drift_pct_per_10km=-1.26, drift_low=-1.6, drift_high=-0.92)
    assert in_short(falls, KM) == f"cadence falls {MINUS}1.3 % ({MINUS}1.6 to {MINUS}0.9)"


def test_a_change_in_full_says_from_where_how_much_and_what_it_is_more_than():
    size, parts = change_words(row(**ONSET), KM)
    assert size == (
        "Contact time rises from km 9.5 (5.5 to 10.5): +5.4 % per 10 km beyond it; as one straight line over whole "
        "runs +3.0 % per 10 km (+2.2 to +3.7)."
    )
    assert parts == f"In all +1.9 %: pace {MINUS}1.0, hill 0.0, what remains +3.0."
    assert change_words(row(), KM)[0] == "Contact time rises +3.0 % per 10 km (+2.2 to +3.7)."


def test_a_place_is_given_in_the_unit_of_the_pages():
    # 9.5, 5.5 and 10.5 km in miles of 1.609344 km.
    assert onset_words(row(**ONSET), MILE) == "from mile 5.9 (3.4 to 6.5)"
    assert onset_words(row(), MILE) == ""


# --- The answer -------------------------------------------------------------------------------------------------------

HEART = row("heart_rate_bpm", "rises")

ANSWERS = {
    "one of two drifts from a place": (
        [row(**ONSET), row("cadence_spm", "holds")],
        "More than slowing down or the hill: 1 of 2 metrics of form changes at equal speed and slope, the first from "
        "km 9.5.",
    ),
    "two drift, the earlier place counts": (
        [row(**ONSET), row("cadence_spm", "falls", **ONSET | {"onset_km": 8.5})],
        "More than slowing down or the hill: 2 of 2 metrics of form change at equal speed and slope, the first from "
        "km 8.5.",
    ),
    "the only one drifts from no place": (
        [row()],
        "More than slowing down or the hill: 1 of 1 metric of form changes at equal speed and slope, from no place "
        "that stands out.",
    ),
    "only slowing down": (
        [row(finding="holds", raw_pct_per_10km=9.1, speed_part_pct=8.9), row("cadence_spm", "holds")],
        "Form holds: nothing of it changes beyond slowing down and the hill.",
    ),
    "heart rate rises, form holds": (
        [row(finding="holds"), HEART],
        "Form holds: nothing of it changes beyond slowing down and the hill.",
    ),
    "nothing but heart rate": (
        [HEART],
        "Nothing of form was recorded: heart rate alone does not say whether it holds.",
    ),
    "one not clear": (
        [row(finding="unclear"), row("cadence_spm", "holds")],
        "Nothing of form is found to change beyond slowing down and the hill; contact time is not clear.",
    ),
    "three not clear": (
        [row(finding="unclear"), row("cadence_spm", "unclear"), row("duty_factor", "unclear")],
        "Nothing of form is found to change beyond slowing down and the hill; contact time, cadence and duty factor "
        "are not clear.",
    ),
    "one holds, one has too few runs": (
        [row("cadence_spm", "holds"), row(**FEW)],
        "Nothing of form is found to change beyond slowing down and the hill; contact time is not clear.",
    ),
    "too few runs": (
        [row(**FEW, reason="2 of the 3 runs needed"), row("cadence_spm", **FEW), HEART],
        "There are too few runs to say whether form holds: 2 of the 3 runs needed.",
    ),
    "tied to the pace in all runs": (
        [row(finding="unclear", drift_pct_per_10km=None)],
        "Whether form holds is not clear: pace or hill goes along with the distance in these runs.",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("drifts", "answer"), ANSWERS.values(), ids=ANSWERS)
def test_the_answer_to_the_first_question(drifts: list[dict[str, Any]], answer: str):
    assert more_than_slowing(drifts, KM) == answer


def test_the_answer_gives_places_in_the_unit_of_the_pages():
    assert more_than_slowing([row(**ONSET)], MILE).endswith("the first from mile 5.9.")


# --- The verdict ------------------------------------------------------------------------------------------------------

VERDICTS = {
    "changes from the first of its places": (
        [row(**ONSET), row("cadence_spm", "falls", **ONSET | {"onset_km": 8.5})],
        "changes", "Form changes from km 8.5",
    ),
    "changes from no place": ([row(), row("cadence_spm", "holds")], "changes", "Form changes; no place stands out"),
    "holds whatever the heart does": ([row(finding="holds"), HEART], "holds", "Form holds"),
    "holds where another has too few runs": ([row("cadence_spm", "holds"), row(**FEW)], "holds", "Form holds"),
    "the place of the heart is not that of form": (
        [row(), row("heart_rate_bpm", "rises", **ONSET)], "changes", "Form changes; no place stands out",
    ),
    "too few runs": ([row(**FEW, n_runs=2), HEART], "open", "Cannot be said yet: 2 of 3 runs"),
    "one of two not clear": (
        [row(finding="unclear"), row("cadence_spm", "holds")],
        "open", "No change found; 1 of 2 metrics of form not clear",
    ),
    "tied to the pace": (
        [row(finding="unclear", drift_pct_per_10km=None)],
        "open", "Not clear: pace or hill goes along with the distance",
    ),
    "the heart alone": ([HEART], "open", "Nothing of form was recorded"),
    "nothing at all": ([], "open", "Nothing of form was recorded"),
}  # fmt: skip


@pytest.mark.parametrize(("drifts", "state", "words"), VERDICTS.values(), ids=VERDICTS)
def test_form_is_told_in_a_word_for_the_filter_and_a_few_to_be_read(
    drifts: list[dict[str, Any]], state: str, words: str
):
    assert (form_state(drifts), verdict(drifts, KM, 3)) == (state, words)


def test_the_verdict_gives_the_place_in_the_unit_of_the_pages():
    assert verdict([row(**ONSET)], MILE, 3) == "Form changes from mile 5.9"


# --- The heart --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pace", "beside", "note"),
    [
        (-1.9, "heart rate rises +3.0 % (+2.2 to +3.7)", ""),
        (
            -2.0,
            "heart rate rises +3.0 % (+2.2 to +3.7); comes out too low, since it lags pace",
            f"Heart rate lags pace, and pace moves it much here ({MINUS}2.0 % per 10 km): where an athlete slows, its "
            "change at equal speed comes out too low.",
        ),
        (
            2.0,
            "heart rate rises +3.0 % (+2.2 to +3.7)",
            "Heart rate lags pace, and pace moves it much here (+2.0 % per 10 km): part of the lag can pass for a "
            "change at equal speed, or hide one.",
        ),
    ],
)
def test_that_heart_rate_lags_pace_is_said_where_pace_moves_it_by_what_matters(pace: float, beside: str, note: str):
    drifts = [row(), row("heart_rate_bpm", speed_part_pct=pace)]
    assert (effort_words(drifts, KM), lag_words(drifts)) == (beside, note)


def test_without_an_estimate_of_the_heart_there_is_nothing_beside_form():
    for drifts in ([row(speed_part_pct=-9.0)], [row("heart_rate_bpm", **FEW)]):
        assert (effort_words(drifts, KM), lag_words(drifts)) == ("", "")


def test_a_heart_that_holds_is_told_without_numbers():
    assert effort_words([row("heart_rate_bpm", "holds")], KM) == "heart rate holds"


# --- Lists and counts -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("labels", "words"), [(["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")], ids=str
)
def test_words_are_listed_as_in_a_sentence(labels: list[str], words: str):
    assert listed(labels) == words


@pytest.mark.parametrize(("n", "words"), [(0, "0 runs"), (1, "1 run"), (2, "2 runs")])
def test_one_thing_is_singular(n: int, words: str):
    assert count_of(n, "run", "runs") == words


# --- What the data cannot say -----------------------------------------------------------------------------------------

LISTED = {"altitude": "steady", "shoe_id": "fern", "surface": None}


def test_what_never_is_in_the_data_is_always_said_and_last():
    assert cannot_say([row()], [], [LISTED], None) == [LAST]


def test_a_finding_that_is_not_clear_says_why_and_what_would_have_shown():
    first, _ = cannot_say([row(finding="unclear", reason="speed goes along")], [], [LISTED], None)
    assert first == (
        "Contact time is not clear: speed goes along. Such runs would show a change of 1.0 % per 10 km four times in "
        "five."
    )


def test_too_few_runs_are_open_and_promise_no_size():
    first, _ = cannot_say([row(**FEW, reason="2 of the 3 runs needed have 4 usable splits")], [], [LISTED], None)
    assert first == "Contact time is open: 2 of the 3 runs needed have 4 usable splits."


def test_a_doubt_about_a_finding_that_stands_is_told_too():
    first, _ = cannot_say([row(reason="a single run should not be read")], [], [LISTED], None)
    assert first == "Contact time: a single run should not be read."


def test_metrics_open_for_the_same_reason_are_one_line_and_those_with_another_their_own():
    few = {**FEW, "reason": "2 of the 3 runs needed"}
    told = cannot_say([row(**few), row("cadence_spm", **few), row("duty_factor", **few)], [], [LISTED], None)
    assert told == ["All 3 metrics are open: 2 of the 3 runs needed.", LAST]
    told = cannot_say([row(**few), row("cadence_spm", **few), row("duty_factor", "holds")], [], [LISTED], None)
    assert told == ["Cadence and contact time are open: 2 of the 3 runs needed.", LAST]


def test_metrics_come_in_their_order():
    told = cannot_say([row(reason="two"), row("cadence_spm", reason="one")], [], [LISTED], None)
    assert [one.partition(":")[0] for one in told[:2]] == ["Cadence", "Contact time"]


def test_what_was_never_recorded_is_named():
    first, _ = cannot_say([], ["leg stiffness", "heart rate"], [LISTED], None)
    assert first == "Never recorded, or not computable from what was: leg stiffness and heart rate."


FLAT = LISTED | {"altitude": "absent"}
BARE = LISTED | {"shoe_id": None}


@pytest.mark.parametrize(
    ("runs", "sentence"),
    [
        ([FLAT], "1 of 1 run has no altitude: a hill in it cannot be told from a change of form."),
        ([FLAT, LISTED], "1 of 2 runs has no altitude: a hill in it cannot be told from a change of form."),
        ([FLAT, FLAT, LISTED], "2 of 3 runs have no altitude: a hill in them cannot be told from a change of form."),
        ([BARE, LISTED], "1 of 2 runs has neither shoe nor surface in the list of sessions."),
        ([BARE, BARE], "2 of 2 runs have neither shoe nor surface in the list of sessions."),
    ],
)
def test_runs_that_lack_something_are_counted(runs: list[dict[str, Any]], sentence: str):
    assert cannot_say([], [], runs, None) == [sentence, LAST]


def test_a_surface_alone_or_a_shoe_alone_is_not_neither():
    assert cannot_say([], [], [BARE | {"surface": "road"}, LISTED], None) == [LAST]


@pytest.mark.parametrize(
    ("walked", "told"),
    [
        (0, []),
        (1, ["1 split was partly walked and did not enter."]),
        (2, ["2 splits were partly walked and did not enter."]),
    ],
)
def test_splits_that_were_walked_are_counted(walked: int, told: list[str]):
    assert cannot_say([], [], [LISTED], {"n_walked_splits": walked}) == [*told, LAST]

"""The answer about an athlete: one sentence with units, facts first, what is open and what would settle it."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.pages.answers import (
    MOST_RUNS,
    answer,
    consequences,
    effort_sentence,
    facts,
    landing_sentence,
    open_sentences,
    raw_sentence,
    state,
    steady_words,
)
from pipeline.pages.language import Language
from pipeline.pages.units import MINUS, Units

ENGLISH, GERMAN = Language("en", Units("km", "min/km")), Language("de", Units("km", "min/km"))
MILES = Language("en", Units("mile", "min/mile"))
Row = dict[str, Any]


def drift(metric: str = "contact_time_ms", finding: str = "rises", **differing: Any) -> Row:
    return {
        "metric": metric, "finding": finding, "n_runs": 9, "drift_pct_per_10km": 3.0, "smallest_change_pct": 2.0,
        "onset_km": None, "usual_distance_km": 20.0, "change_at_usual_distance_pct": 6.0, "reason": None,
        "detectable_at_best_pct": 1.99,
    } | differing  # fmt: skip


def usual(start: float = 233.2, end: float = 247.7, more: int | None = None) -> Row:
    return {"start_level": start, "level_at_usual_distance": end, "n_more_runs": more}


USUAL = {
    "contact_time_ms": usual(), "cadence_spm": usual(176.3, 171.7), "heart_rate_bpm": usual(156.0, 165.0),
    "step_length_m": usual(1.106, 1.118), "vertical_oscillation_mm": usual(72.0, 72.2),
    "duty_factor": usual(0.34, 0.35),
}  # fmt: skip


def told(*drifts: Row, language: Language = ENGLISH, usual: dict[str, Row] | None = None) -> str:
    return answer(drifts, usual or USUAL, language, 3)


CADENCE = drift("cadence_spm", "falls", change_at_usual_distance_pct=-2.6, smallest_change_pct=1.0)


def test_a_change_says_from_where_what_does_what_from_which_level_to_which():
    assert told(drift(onset_km=9.2), CADENCE) == (
        "From about km 9 contact time lengthens, from 233 to 248 ms by km 20 at the same pace; over the whole run "
        "cadence falls, from 176 to 172 steps/min."
    )


def test_without_a_break_it_is_gradual():
    assert told(CADENCE) == "Cadence gradually falls, from 176 to 172 steps/min by km 20 at the same pace."
    assert told(CADENCE, language=GERMAN) == (
        "Bei gleichem Tempo allmählich bis km 20: Schrittfrequenz sinkt von 176 auf 172 Schritte/min."
    )


def test_a_second_break_elsewhere_is_said():
    second = CADENCE | {"onset_km": 12.4}
    assert told(drift(onset_km=9.2), second).endswith("; from about km 12 cadence falls, from 176 to 172 steps/min.")
    assert "about km 9 cadence" not in told(drift(onset_km=9.2), CADENCE | {"onset_km": 9.4})


def test_levels_that_read_the_same_get_a_digit_more():
    row = drift("vertical_oscillation_mm", "rises", change_at_usual_distance_pct=0.3)
    assert "from 72.0 to 72.2 mm" in told(row)


def test_the_same_in_miles_and_in_german():
    assert told(drift(onset_km=1.609344 * 6), language=MILES).startswith("From about mile 6 contact time lengthens")
    assert told(drift(onset_km=9.2), CADENCE, language=GERMAN) == (
        "Ab etwa km 9 bis km 20 bei gleichem Tempo: Bodenkontaktzeit verlängert sich von 233 auf 248 ms; "
        "über den ganzen Lauf: Schrittfrequenz sinkt von 176 auf 172 Schritte/min."
    )


@pytest.mark.parametrize(
    ("slope", "words"),
    [
        (0.02, "pace accounts for +9.0, hills for 0.0; at the same pace −0.2 is left."),
        (None, "pace accounts for +9.0; at the same pace −0.2 is left."),
    ],
)
def test_what_was_recorded_is_told_with_the_parts_of_pace_and_hills(slope: float | None, words: str):
    row = drift(
        raw_pct_per_10km=8.9, speed_part_pct=9.0, slope_part_pct=0.0, drift_pct_per_10km=-0.2, response_to_slope=slope,
        response_to_slope_squared=None,
    )  # fmt: skip
    assert raw_sentence(row, ENGLISH) == f"As recorded, contact time changes by +8.9 % per 10 km: {words}".replace(
        "−", MINUS
    )


def test_a_late_change_without_levels_goes_the_way_of_the_change_at_the_usual_distance():
    late = drift(finding="changes_late", drift_pct_per_10km=-0.1, change_at_usual_distance_pct=3.0)
    assert told(late, usual={"contact_time_ms": usual() | {"level_at_usual_distance": None}}) == (
        "Contact time gradually lengthens, +3.0 % by km 20 at the same pace."
    )


def test_facts_come_before_what_follows_and_the_heart_is_apart():
    rows = [drift("step_length_m"), drift("heart_rate_bpm"), CADENCE, drift()]
    assert [row["metric"] for row in facts(rows)] == ["contact_time_ms", "cadence_spm"]
    assert [row["metric"] for row in consequences(rows)] == ["step_length_m"]
    assert "step length" not in told(*rows)
    assert "heart" not in told(*rows)


def test_what_follows_speaks_where_no_fact_was_recorded():
    assert told(drift("step_length_m")).startswith("Step length gradually grows, from 1.11 to 1.12 m")


def test_all_steady_is_said_with_its_limits():
    rows = [drift(finding="holds"), drift("cadence_spm", "holds", smallest_change_pct=1.0)]
    assert told(*rows) == "Steady at the same pace: contact time within ±2 % and cadence within ±1 %."
    alike = [drift(finding="holds"), drift("cadence_spm", "holds")]
    assert steady_words(facts(alike), ENGLISH) == "contact time and cadence within ±2 %"


@pytest.mark.parametrize(
    ("rows", "found", "words"),
    [
        ([drift(finding="unclear"), drift("cadence_spm", "holds")], "open", "Cannot tell yet: contact time. Steady"),
        ([drift(finding="unclear"), drift("contact_balance_pct", "holds")], "open", "Cannot tell yet: contact time."),
        ([drift("contact_balance_pct", "unclear"), drift(finding="holds")], "open", "Steady at the same pace:"),
        ([drift(finding="unclear")], "open", "Cannot tell yet: at the same pace nothing is found to change"),
        ([drift(finding="too_little_data", n_runs=2)], "few", "Cannot tell yet: 2 runs of the 3 that are needed."),
        ([drift("heart_rate_bpm")], "nothing", "Nothing of form was recorded"),
        ([], "nothing", "Nothing of form was recorded"),
        ([drift(finding="holds"), drift("cadence_spm", "too_little_data")], "steady", "Steady at the same pace"),
        ([drift(finding="changes_late"), drift("cadence_spm", "unclear")], "changes", "Contact time gradually"),
    ],
)  # fmt: skip
def test_every_state_has_its_answer(rows: list[Row], found: str, words: str):
    assert state(rows) == found
    assert told(*rows).startswith(words)


@pytest.mark.parametrize(
    ("row", "more", "words"),
    [
        (drift(finding="unclear"), 4, "Contact time: cannot tell yet; about 4 more runs over 20 km would settle it."),
        (drift(finding="unclear"), 1, "Contact time: cannot tell yet; about 1 more run over 20 km would settle it."),
        (
            drift(finding="unclear"),
            MOST_RUNS + 1,
            "Contact time: cannot tell yet; more than 30 further runs over 20 km",
        ),
        (drift(finding="unclear"), None, "Contact time: cannot tell yet; why is under “For the statistician”."),
        (
            drift(finding="unclear", detectable_at_best_pct=2.0),
            None,
            "Contact time: cannot tell yet; pace goes along with the distance in these runs, and more like them",
        ),
        (
            drift(finding="too_little_data", usual_distance_km=None),
            1,
            "Contact time: cannot tell yet; 1 more run would",
        ),
        (
            drift(finding="unclear", drift_pct_per_10km=None),
            None,
            "Contact time: cannot tell yet; pace or hills go along",
        ),
    ],
)
def test_what_is_open_says_what_would_settle_it(row: Row, more: int | None, words: str):
    (sentence,) = open_sentences([row], {"contact_time_ms": usual(more=more)}, ENGLISH)
    assert sentence.startswith(words)


def test_what_the_same_would_settle_is_said_once():
    rows = [drift(finding="unclear"), drift("cadence_spm", "unclear")]
    both = {"contact_time_ms": usual(more=4), "cadence_spm": usual(more=4)}
    assert open_sentences(rows, both, ENGLISH) == [
        "Contact time and cadence: cannot tell yet; about 4 more runs over 20 km would settle it."
    ]
    assert open_sentences([drift(), drift("cadence_spm", "holds")], both, ENGLISH) == []


@pytest.mark.parametrize(
    ("finding", "words"),
    [
        ("rises", "Effort: heart rate rises, from 156 to 165 beats/min at the same pace."),
        ("holds", "Effort: steady, heart rate within ±2 %."),
        ("unclear", "Effort: heart rate: cannot tell yet."),
    ],
)
def test_effort_has_a_sentence_of_its_own(finding: str, words: str):
    assert effort_sentence([drift("heart_rate_bpm", finding)], USUAL, ENGLISH) == words
    assert effort_sentence([drift()], USUAL, ENGLISH) == ""


def landing(km: float, strike: str, n: int, n_seen: int = 3) -> Row:
    return {"distance_km": km, "strike": strike, "n": n, "n_seen": n_seen}


def test_landings_are_told_class_by_class_at_each_distance():
    rows = [landing(5, "midfoot", 3), landing(15, "asymmetric", 2), landing(15, "midfoot", 1)]
    assert landing_sentence(rows, ENGLISH) == (
        "On video: midfoot (3 of 3) at km 5; asymmetric (2 of 3) and midfoot (1 of 3) at km 15."
    )


def test_distances_with_the_same_landings_share_a_clause():
    rows = [landing(5, "rearfoot", 3), landing(15, "rearfoot", 3)]
    assert landing_sentence(rows, ENGLISH) == "On video: rearfoot (3 of 3) at km 5 and km 15."
    assert landing_sentence([], ENGLISH) == ""

"""Landing: what strikes.csv may say, how a class comes about, and how shares and changes are counted."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.resources import shipped
from pipeline.core.settings import Settings
from pipeline.inbox.lists import read_lists
from pipeline.stages.strikes import ANGLE_THRESHOLDS, changes_seen, runners_seen, strike_counts, strike_shift
from pipeline.tables import empty, publishable
from pipeline.tables.observed import STRIKES
from tests.support.filmed import landings_of

HEADER = "athlete_id,date,distance_km,foot,strike,angle_deg,strike_index_pct"


def listed(folder: Path, *lines: str, header: str = HEADER) -> pl.DataFrame:
    (folder / "strikes.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return read_strikes(folder)


def read_strikes(folder: Path) -> pl.DataFrame:
    return read_lists(folder).rows["strikes.csv"]


def fault(folder: Path, *lines: str, header: str = HEADER) -> str:
    rows = listed(folder, *lines, header=header)
    [notice] = read_lists(folder).notices
    assert rows.height == len(lines) - 1
    return notice.removesuffix(" The line is not used.")


def feet(*rows: str, date: str = "2026-03-14") -> pl.DataFrame:
    """Rows such as 'ari 5 left rearfoot', or with an angle ('4.0deg') or an index ('20%') with the class or for it."""
    parsed = []
    for row in rows:
        athlete_id, distance, foot, *said = row.split()
        angle = next((float(word[:-3]) for word in said if word.endswith("deg")), None)
        index = next((float(word[:-1]) for word in said if word.endswith("%")), None)
        strike = next((word for word in said if word in STRIKES), None)
        parsed.append((athlete_id, date, float(distance), foot, strike, angle, index))
    columns = dict.fromkeys(HEADER.split(","), pl.String)
    floats = dict.fromkeys(("distance_km", "angle_deg", "strike_index_pct"), pl.Float64)
    return pl.DataFrame(parsed, schema={**columns, **floats}, orient="row").with_columns(
        pl.col("date").str.to_date("%Y-%m-%d")
    )


def counts(rows: pl.DataFrame, scope: str = "event") -> pl.DataFrame:
    published = publishable("strike_counts", strike_counts(runners_seen(landings_of(rows))), subject="test")
    return published.filter(pl.col("scope") == scope)


def classes(rows: pl.DataFrame, thresholds: str = "altman-davis-2012") -> list[str]:
    """The class of each runner in a frame where each is seen at one place of their own."""
    counted = strike_counts(runners_seen(landings_of(rows, thresholds=thresholds))).filter(
        pl.col("scope") == "athlete", pl.col("n") > 0
    )
    return counted.sort("subject")["strike"].to_list()


def shifts(rows: pl.DataFrame) -> pl.DataFrame:
    return publishable("strike_shift", strike_shift(changes_seen(landings_of(rows))), subject="test")


# --- The list --------------------------------------------------------------------------------------------------------


def test_a_row_has_a_class_an_angle_or_an_index_and_heel_is_rearfoot(tmp_path: Path):
    rows = listed(
        tmp_path,
        "ari,2026-03-14,5,left,heel,,",
        "ari,2026-03-14,5,right,,9.5,",
        "bo,2026-03-14,5.0004,,,,20",
    )
    assert rows.select(HEADER.split(",")[2:]).rows() == [
        (5.0, "left", "rearfoot", None, None),
        (5.0, "right", None, 9.5, None),
        (5.0, None, None, None, 20.0),
    ]


def test_a_start_stands_for_its_date_in_utc_and_a_date_goes_before_it(tmp_path: Path):
    header = "athlete_id,started_at_utc,date,distance_km,strike"
    rows = listed(
        tmp_path,
        "ari,2026-03-14T23:30:00Z,,5,midfoot",
        "bo,2026-03-14T23:30:00Z,2026-03-15,5,midfoot",
        "cy,,2026-03-16,5,midfoot",
        header=header,
    )
    assert rows["date"].to_list() == [pl.date(2026, 3, day).pipe(pl.select).item() for day in (14, 15, 16)]


def test_without_the_file_there_are_no_rows_and_no_tables(tmp_path: Path):
    rows = read_strikes(tmp_path)
    assert rows.is_empty()
    assert counts(rows).is_empty()
    assert shifts(rows).is_empty()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (",2026-03-14,5,left,heel,,", "line 2: athlete_id is empty; expected the name of the athlete's folder"),
        ("ari,,5,left,heel,,", "line 2: date is empty; expected a date, or started_at_utc"),
        ("ari,4.3.2026,5,left,heel,,", "line 2: date is '4.3.2026'; expected a date such as 2026-03-14 (or date_order"),
        ("ari,2026-03-14,,left,heel,,", "line 2: distance_km is empty; expected the kilometres from the start"),
        ("ari,2026-03-14,5000,left,heel,,", "line 2: distance_km is '5000'; expected a number between 0 and 1000"),
        ("ari,2026-03-14,-1,left,heel,,", "line 2: distance_km is '-1'; expected a number between 0 and 1000"),
        ("ari,2026-03-14,nan,left,heel,,", "line 2: distance_km is 'nan'; expected a number between 0 and 1000"),
        ("ari,2026-03-14,5,both,heel,,", "line 2: foot is 'both'; expected left or right"),
        ("ari,2026-03-14,5,left,walk,,", "line 2: strike is 'walk'; expected rearfoot or midfoot or forefoot or heel"),
        ("ari,2026-03-14,5,left,,,", "line 2: strike is empty; expected rearfoot, midfoot, forefoot, heel, or an"),
        ("ari,2026-03-14,5,left,,95,", "line 2: angle_deg is '95'; expected a number between -60 and 60"),
        ("ari,2026-03-14,5,left,,,101", "line 2: strike_index_pct is '101'; expected a number between 0 and 100"),
    ],
)
def test_a_fault_is_named_by_file_line_what_was_found_and_what_was_expected(tmp_path: Path, line: str, said: str):
    assert f"strikes.csv, {said}" in fault(tmp_path, line)


def test_a_watch_is_no_method(tmp_path: Path):
    said = fault(tmp_path, "ari,2026-03-14,5,heel,watch", header="athlete_id,date,distance_km,strike,method")
    assert said == "strikes.csv, line 2: method is 'watch'; expected video or footprint or insole or imu."


def test_a_date_far_from_the_start_is_a_fault(tmp_path: Path):
    header = "athlete_id,started_at_utc,date,distance_km,strike"
    said = fault(tmp_path, "ari,2026-03-14T09:00:00Z,2026-03-16,5,heel", header=header)
    assert said == "strikes.csv, line 2: date is '2026-03-16'; expected the date of started_at_utc."


def test_a_foot_listed_twice_at_a_place_is_a_fault_since_it_is_not_known_which_counts(tmp_path: Path):
    said = fault(tmp_path, "ari,2026-03-14,5,left,heel,,", "ari,2026-03-14,5.0,left,midfoot,,")
    assert said == "strikes.csv, line 3: foot is 'left'; expected each foot of an athlete once at a distance on a date."


def test_two_rows_at_a_place_must_say_which_foot(tmp_path: Path):
    said = fault(tmp_path, "ari,2026-03-14,5,left,heel,,", "ari,2026-03-14,5,,midfoot,,")
    assert said == "strikes.csv, line 3: foot is empty; expected left or right, where an athlete has two rows there."


# --- The class -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("thresholds", "angle", "expected"),
    [
        # Altman and Davis 2012, from memory: rearfoot above 8.0, forefoot below -1.6 degrees.
        ("altman-davis-2012", 8.0, "midfoot"),
        ("altman-davis-2012", 8.1, "rearfoot"),
        ("altman-davis-2012", -1.6, "midfoot"),
        ("altman-davis-2012", -1.7, "forefoot"),
        # Mo and others 2021: 7.4 and -0.8 degrees.
        ("mo-2021", 7.4, "midfoot"),
        ("mo-2021", 7.5, "rearfoot"),
        ("mo-2021", -0.8, "midfoot"),
        ("mo-2021", -0.9, "forefoot"),
        # The two differ between their limits.
        ("altman-davis-2012", 7.5, "midfoot"),
        ("altman-davis-2012", -0.9, "midfoot"),
    ],
)
def test_an_angle_on_either_side_of_a_threshold(thresholds: str, angle: float, expected: str):
    assert classes(feet(f"ari 5 left {angle}deg"), thresholds) == [expected]


@pytest.mark.parametrize(
    ("index", "expected"),
    # Cavanagh and Lafortune 1980, as restated later: 0-33.3, 33.4-66.6, 66.7-100 % of the foot's length.
    [(0, "rearfoot"), (33.3, "rearfoot"), (33.4, "midfoot"), (66.6, "midfoot"), (66.7, "forefoot"), (100, "forefoot")],
)
def test_a_strike_index_on_either_side_of_a_third_of_the_foot(index: float, expected: str):
    assert classes(feet(f"ari 5 left {index}%")) == [expected]


def test_an_observed_class_goes_before_the_angle_and_the_angle_before_the_index():
    rows = feet("ari 5 left forefoot 20deg 10%", "bo 5 left 20deg 90%")
    assert classes(rows) == ["forefoot", "rearfoot"]


def test_the_names_of_the_setting_are_those_of_the_threshold_sets():
    [setting] = [one for one in dataclasses.fields(Settings) if one.name == "strike_angle_thresholds"]
    assert setting.metadata["choices"] == tuple(ANGLE_THRESHOLDS)


@pytest.mark.parametrize(
    ("left", "right", "expected"),
    [
        ("rearfoot", "rearfoot", "rearfoot"),
        ("midfoot", "rearfoot", "asymmetric"),
        ("midfoot", "forefoot", "asymmetric"),
        ("midfoot", "3deg", "midfoot"),
        ("midfoot", "9deg", "asymmetric"),
    ],
)
def test_two_feet_that_differ_are_a_class_of_their_own(left: str, right: str, expected: str):
    assert classes(feet(f"ari 5 left {left}", f"ari 5 right {right}")) == [expected]


def test_one_foot_seen_speaks_for_the_runner_and_is_counted_as_such():
    rows = counts(feet("ari 5 left rearfoot", "bo 5 left rearfoot", "bo 5 right rearfoot"))
    assert rows.filter(strike="rearfoot").select("n", "n_one_foot").rows() == [(2, 1)]


# --- The demo club ---------------------------------------------------------------------------------------------------


def test_three_people_s_ways_of_counting_three_races_become_one_table():
    """By start and class, by date and class with `heel`, by date and angle: eight runners at two places each."""
    rows = counts(read_strikes(shipped("data/club")))
    places = rows.select("event", "distance_km", "n_seen").unique().sort("event", "distance_km")
    assert places.rows() == [
        (event, distance, 8) for event in ("2026-03-14", "2026-04-18", "2026-05-23") for distance in (5.0, 15.0)
    ]
    assert rows.group_by("event").agg(pl.col("n_angles").sum()).sort("event")["n_angles"].to_list() == [0, 0, 16]


# --- Counts ----------------------------------------------------------------------------------------------------------

FIELD = feet(
    "ari 5 left rearfoot",
    "bo 5 left rearfoot",
    "cy 5 left midfoot",
    "di 5 left midfoot",
    "di 5 right rearfoot",
    "ari 15 left rearfoot",
    "cy 15 left rearfoot",
)


def test_each_place_of_an_event_has_all_four_classes_with_their_shares():
    assert counts(FIELD).select("event", "athlete_id", "distance_km", "strike", "n", "n_seen", "share").rows() == [
        ("2026-03-14", None, 5.0, "asymmetric", 1, 4, 0.25),
        ("2026-03-14", None, 5.0, "forefoot", 0, 4, 0.0),
        ("2026-03-14", None, 5.0, "midfoot", 1, 4, 0.25),
        ("2026-03-14", None, 5.0, "rearfoot", 2, 4, 0.5),
        ("2026-03-14", None, 15.0, "asymmetric", 0, 2, 0.0),
        ("2026-03-14", None, 15.0, "forefoot", 0, 2, 0.0),
        ("2026-03-14", None, 15.0, "midfoot", 0, 2, 0.0),
        ("2026-03-14", None, 15.0, "rearfoot", 2, 2, 1.0),
    ]


def test_an_athlete_s_rearfoot_share_along_the_run_is_counted_over_dates():
    rows = pl.concat(
        [
            feet("cy 5 left midfoot", "cy 15 left rearfoot"),
            feet("cy 5 left midfoot", "cy 15 left midfoot", date="2026-04-18"),
            feet("cy 5 left rearfoot", "cy 15 left rearfoot", date="2026-05-23"),
        ]
    )
    found = (
        counts(rows, "athlete").filter(strike="rearfoot").select("athlete_id", "event", "distance_km", "n", "n_seen")
    )
    assert found.rows() == [("cy", None, 5.0, 1, 3), ("cy", None, 15.0, 2, 3)]


def test_two_dates_are_two_events():
    rows = pl.concat([feet("ari 5 left rearfoot"), feet("ari 5 left midfoot", date="2026-04-18")])
    found = counts(rows).filter(pl.col("n") > 0).select("event", "strike", "n", "n_seen")
    assert found.rows() == [("2026-03-14", "rearfoot", 1, 1), ("2026-04-18", "midfoot", 1, 1)]


def test_mean_angles_are_given_next_to_the_class_that_was_observed():
    rows = counts(feet("ari 5 left midfoot 10deg", "ari 5 right midfoot 6deg", "bo 5 left rearfoot", "cy 5 left 20deg"))
    found = rows.filter(pl.col("n") > 0).select("strike", "n", "mean_angle_deg", "n_angles", "mean_angle_of_all_deg")
    assert found.rows() == [("midfoot", 1, 8.0, 1, 14.0), ("rearfoot", 2, 20.0, 1, 14.0)]


def test_the_rearfoot_share_can_rise_while_the_mean_angle_falls():
    """As in print: shares by video rise with distance (Bovalino 2020), mean angles fall (Meyer 2021, Prigent 2022)."""
    rows = counts(
        feet(
            "ari 5 left rearfoot 22deg",
            "bo 5 left rearfoot 20deg",
            "cy 5 left midfoot 7deg",
            "ari 40 left rearfoot 14deg",
            "bo 40 left rearfoot 13deg",
            "cy 40 left rearfoot 9deg",
        )
    ).filter(strike="rearfoot")
    assert rows["share"].to_list() == [0.6667, 1.0]
    assert rows["mean_angle_of_all_deg"].to_list() == [16.33, 12.0]


# --- Shifts ----------------------------------------------------------------------------------------------------------


def test_every_two_distances_with_the_same_runners_are_compared_for_all_classes_and_for_rearfoot():
    rows = feet("ari 5 left midfoot", "ari 10 left midfoot", "ari 15 left rearfoot")
    found = shifts(rows).select("early_km", "late_km", "compared", "n_pairs", "method")
    assert found.rows() == [
        (early, late, compared, 1, "McNemar exact")
        for early, late in ((5.0, 10.0), (5.0, 15.0), (10.0, 15.0))
        for compared in ("all_classes", "rearfoot_or_other")
    ]


def test_runners_seen_at_one_of_two_distances_do_not_enter():
    [row, _] = shifts(FIELD).rows(named=True)
    assert row["n_pairs"] == 2
    assert {name: n for name, n in row.items() if "_to_" in name and n} == {
        "n_rearfoot_to_rearfoot": 1,
        "n_midfoot_to_rearfoot": 1,
        "n_other_to_rearfoot": 1,
    }


def test_two_distances_without_a_common_runner_have_no_row():
    assert shifts(feet("ari 5 left rearfoot", "bo 15 left midfoot")).is_empty()


def test_a_runner_of_two_dates_is_not_paired_across_them():
    rows = pl.concat([feet("ari 5 left rearfoot"), feet("ari 15 left midfoot", date="2026-04-18")])
    assert shifts(rows).is_empty()


def test_more_than_two_classes_are_tested_by_bowker_over_those_that_occur():
    rows = feet(
        *(f"a{i} 5 left midfoot" for i in range(6)),
        *(f"a{i} 15 left rearfoot" for i in range(6)),
        *(f"b{i} 5 left forefoot" for i in range(4)),
        *(f"b{i} 15 left midfoot" for i in range(4)),
    )
    every, rearfoot = shifts(rows).rows(named=True)
    # Six went one way between two classes, four between two others, none back: 6²/6 + 4²/4; a third pair is empty.
    assert (every["method"], every["statistic"], every["degrees_of_freedom"]) == ("Bowker", 10.0, 2)
    # Six of six one way, exact: 2 / 2⁶.
    assert (rearfoot["method"], rearfoot["statistic"], rearfoot["degrees_of_freedom"]) == ("McNemar exact", 0.0, None)
    assert rearfoot["p_value"] == 0.03125


def test_asymmetry_that_goes_away_is_a_change_too():
    rows = feet("ari 5 left midfoot", "ari 5 right rearfoot", "ari 15 left rearfoot", "ari 15 right rearfoot")
    every, rearfoot = shifts(rows).rows(named=True)
    assert every["n_asymmetric_to_rearfoot"] == rearfoot["n_other_to_rearfoot"] == 1


def test_where_no_one_changed_p_is_one():
    rows = feet("ari 5 left forefoot", "ari 15 left forefoot", "bo 5 left forefoot", "bo 15 left forefoot")
    assert shifts(rows)["p_value"].to_list() == [1.0, 1.0]


def test_a_change_between_two_classes_that_are_both_not_rearfoot_shows_in_the_row_of_all_classes_alone():
    rows = feet(*(f"a{i} {km} left {strike}" for i in range(6) for km, strike in ((5, "midfoot"), (15, "forefoot"))))
    every, rearfoot = shifts(rows).rows(named=True)
    assert (every["p_value"], rearfoot["p_value"]) == (0.03125, 1.0)


# --- Raters, and the kilometre ---------------------------------------------------------------------------------------


def test_of_two_raters_the_one_who_saw_most_feet_counts_and_the_other_where_that_one_saw_none():
    rows = feet("ari 5 left rearfoot", "ari 5 left midfoot", "bo 5 left midfoot", "cy 5 left forefoot").with_columns(
        rater=pl.Series(["one", "two", "one", "two"])
    )
    more = feet("dee 5 left rearfoot").with_columns(rater=pl.lit("one"))
    landings = landings_of(pl.concat([rows, more])).sort("athlete_id", "rater")
    assert landings.select("athlete_id", "rater", "is_counted").rows() == [
        ("ari", "one", True), ("ari", "two", False), ("bo", "one", True), ("cy", "two", True), ("dee", "one", True),
    ]  # fmt: skip
    assert strike_counts(runners_seen(landings)).filter(scope="event", strike="midfoot")["n"].to_list() == [1]


def run_of(run_id: str, started: str, lengths_m: list[float], athlete_id: str = "ari") -> dict[str, pl.DataFrame]:
    """A run whose splits have speeds of 3.1, 3.2, ... m/s and slopes of 1, 2, ... %."""
    start = pl.Series([started]).str.to_datetime(time_zone="UTC")
    n = len(lengths_m)
    kms = range(1, n + 1)
    numbers = {
        "speed_m_s": [3 + 0.1 * km for km in range(1, n + 1)],
        "slope_pct": [float(km) for km in range(1, n + 1)],
    }
    of_run = {"athlete_id": [athlete_id], "run_id": [run_id], "surface": ["road"]}
    return {
        "runs": pl.DataFrame(of_run | {"started_at_utc": start}),
        "splits": pl.DataFrame({"run_id": [run_id] * n, "km": list(kms), "length_m": lengths_m} | numbers),
    }


def kilometres(rows: pl.DataFrame, *recorded: dict[str, pl.DataFrame]) -> list[tuple[object, ...]]:
    tables = {
        name: pl.concat([empty(name), *(run[name] for run in recorded)], how="diagonal_relaxed")
        for name in ("runs", "splits")
    }
    seen = landings_of(rows, **tables).sort("athlete_id", "distance_km")
    return seen.select("distance_km", "run_id", "speed_m_s", "slope_pct", "surface").rows()


def test_a_landing_gets_speed_slope_and_surface_of_the_kilometre_it_lies_in():
    # A landing at the end of a kilometre belongs to it; beyond the last split nothing is known but the run.
    rows = feet("ari 0 left rearfoot", "ari 1 left rearfoot", "ari 1.001 left rearfoot", "ari 2.6 left rearfoot")
    run = run_of("that", "2026-03-14T09:00:00", [1000.0, 1000.0, 500.0])
    assert kilometres(rows, run) == [
        (0.0, "that", 3.1, 1.0, "road"), (1.0, "that", 3.1, 1.0, "road"), (1.001, "that", 3.2, 2.0, "road"),
        (2.6, "that", None, None, "road"),
    ]  # fmt: skip


def test_a_landing_is_of_no_run_where_it_could_be_of_two_unless_its_start_says_which():
    morning, evening = (
        run_of(name, f"2026-03-14T{hour}:00:00", [1000.0]) for name, hour in (("am", "09"), ("pm", "18"))
    )
    other = run_of("other", "2026-03-14T09:00:00", [1000.0], athlete_id="bo")
    row = feet("ari 1 left rearfoot")
    assert kilometres(row, morning, other)[0][1] == "am"
    assert kilometres(row, morning, evening) == [(1.0, None, None, None, None)]
    started = row.with_columns(
        started_at_utc=pl.lit("2026-03-14T18:04:59").str.to_datetime("%FT%T", time_unit="us", time_zone="UTC")
    )
    assert kilometres(started, morning, evening)[0][1] == "pm"
    late = started.with_columns(pl.col("started_at_utc").dt.offset_by("2s"))
    assert kilometres(late, morning, evening)[0][1] is None

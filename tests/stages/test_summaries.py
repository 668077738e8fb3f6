"""The stage summaries: what sessions.csv adds to a run, the corrected p-values, the months."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from math import sqrt

import polars as pl
import pytest

from pipeline.core.quality_rules import EXCLUDING_SHARES
from pipeline.inbox.lists import LISTS
from pipeline.methods.session_matching import SAME_START_S
from pipeline.pages.language import Language
from pipeline.pages.units import MINUS, Units
from pipeline.stages.summaries import AFTER_RIDE_S, LEAST_DF, RIDE_OVERLAP_S, athlete_drift, runs, season_trend
from pipeline.tables import empty

ENGLISH = Language("en", Units("km", "min/km"))
NINE = datetime(2026, 3, 14, 9, tzinfo=UTC)


def described(*lines: dict[str, object], started: datetime = NINE) -> tuple[object, object, object]:
    """Kind, surface and shoe of a run of ari that began at nine, from the file ari/a.fit, for lines of sessions.csv."""
    row = run_of(*lines, started=started)
    return row["kind"], row["surface"], row["shoe_id"]


def run_of(
    *lines: dict[str, object], rides: Sequence[dict[str, object]] = (), started: datetime = NINE, **settings: str
) -> dict[str, object]:
    """The row of that run, for rows of sessions.csv and sessions of other sports in the ledger."""
    measured = pl.DataFrame(
        {
            "run_id": ["ari-9"], "athlete_id": ["ari"], "file": ["ari/a.fit"], "path": ["ari/a.fit"],
            "started_at_utc": [started], "paused_s": [0.0],
            "device": ["watch"], "sensors": [None], "altitude": ["steady"], "tags": [None],
            "speed_source": ["device"],
        },
        schema_overrides={"sensors": pl.String, "tags": pl.String},
    )  # fmt: skip
    splits = pl.DataFrame(
        {"run_id": ["ari-9"] * 2, "length_m": [1000.0, 250.0], "moving_s": [300.0, 75.5], "climb_m": [4.0, None]}
    )
    schema = {**dict.fromkeys(LISTS["sessions.csv"], pl.String), "started_at_utc": pl.Datetime("us", "UTC")}
    rows = [{**line, "line": number} for number, line in enumerate(lines, start=2)]
    sessions = pl.DataFrame(rows, schema={**schema, "line": pl.Int64})
    ride = {"path": "ari/ride.fit", "session": 1, "athlete_id": "ari", "status": "not_running", "sport": "cycling"}
    ledger = pl.DataFrame([{**ride, **one} for one in rides], schema=empty("recordings").schema)
    (row,) = runs(measured, splits, sessions, ledger, **settings).rows(named=True)
    assert (row["distance_km"], row["moving_s"], row["climb_m"]) == (1.25, 375.5, 4.0)
    return row


def ride(minutes_before: float, *, lasted_min: float = 60.0, **more: object) -> dict[str, object]:
    """A ride that ended so long before nine, in the ledger."""
    ended = NINE - timedelta(minutes=minutes_before)
    return {"started_at_utc": ended - timedelta(minutes=lasted_min), "ended_at_utc": ended, "distance_km": 30.0, **more}


def after_ride(*rides: dict[str, object]) -> tuple[object, object, object]:
    row = run_of(rides=rides)
    return row["after_ride"], row["ride_km"], row["ride_s"]


@pytest.mark.parametrize(
    ("minutes_before", "is_after"), [(0, True), (30, True), (30.1, False), (-5, True), (-5.1, False)]
)
def test_a_run_is_off_the_bike_if_a_ride_ended_within_30_minutes_before_it(minutes_before: float, is_after: bool):
    assert (AFTER_RIDE_S, RIDE_OVERLAP_S) == (1800, 300)
    assert after_ride(ride(minutes_before)) == ((True, 30.0, 3600.0) if is_after else (False, None, None))


@pytest.mark.parametrize(
    ("more", "is_after"),
    [
        ({"sport": "biking"}, True),
        ({"sport": "e_biking"}, True),
        ({"sport": "radfahren"}, True),
        ({"sport": "Ride"}, True),
        ({"sport": "swimming"}, False),
        ({"sport": None}, False),
        ({"athlete_id": "bo"}, False),
        ({"status": "left_out"}, False),
    ],
)
def test_only_rides_of_the_athlete_count(more: dict[str, object], is_after: bool):
    assert after_ride(ride(10, **more))[0] is is_after


def test_of_two_rides_the_last_one_counts():
    assert after_ride(ride(25, distance_km=40.0), ride(5, lasted_min=10, distance_km=4.0)) == (True, 4.0, 600.0)


@pytest.mark.parametrize(
    ("started", "time_zone", "date"),
    [
        (datetime(2026, 3, 14, 23, 30, tzinfo=UTC), "Europe/Lisbon", "2026-03-14"),
        (datetime(2026, 3, 14, 23, 30, tzinfo=UTC), "Europe/Helsinki", "2026-03-15"),
        (datetime(2026, 3, 14, 3, 0, tzinfo=UTC), "America/Denver", "2026-03-13"),
        # Across the change to summer time: 23:30 UTC is 00:30 there from 29 March on.
        (datetime(2026, 3, 28, 23, 30, tzinfo=UTC), "Europe/Lisbon", "2026-03-28"),
        (datetime(2026, 3, 29, 23, 30, tzinfo=UTC), "Europe/Lisbon", "2026-03-30"),
    ],
)
def test_the_local_date_is_that_of_the_zone_in_the_settings(started: datetime, time_zone: str, date: str):
    assert run_of(started=started, time_zone=time_zone)["local_date"] == date


def test_without_a_zone_there_is_no_local_date():
    assert run_of()["local_date"] is None


def test_a_line_that_names_the_file_describes_the_run():
    assert described({"file": "ari/a.fit", "kind": "race", "surface": "sand", "shoe_id": "lantern"}) == (
        "race", "sand", "lantern",
    )  # fmt: skip


def test_a_run_that_is_not_listed_is_kept_without_description():
    assert described({"file": "ari/b.fit", "kind": "race"}) == (None, None, None)


def test_a_line_that_names_the_file_comes_before_one_that_names_the_start():
    by_start = {"athlete_id": "ari", "started_at_utc": NINE, "kind": "test", "surface": "track"}
    assert described(by_start, {"file": "ari/a.fit", "kind": "race"}) == ("race", None, None)


@pytest.mark.parametrize(
    ("away_s", "kind"), [(0, "race"), (SAME_START_S, "race"), (-SAME_START_S, "race"), (SAME_START_S + 1, None)]
)
def test_a_line_without_file_is_of_the_run_that_began_within_300_seconds(away_s: int, kind: str | None):
    line = {"athlete_id": "ari", "started_at_utc": NINE + timedelta(seconds=away_s), "kind": "race"}
    assert SAME_START_S == 300
    assert described(line)[0] == kind


def test_the_start_of_another_athlete_does_not_count():
    assert described({"athlete_id": "bo", "started_at_utc": NINE, "kind": "race"})[0] is None


def test_a_line_with_file_and_start_is_of_that_file_alone():
    assert described({"file": "ari/b.fit", "athlete_id": "ari", "started_at_utc": NINE, "kind": "race"})[0] is None


def test_of_two_lines_for_a_run_the_lower_one_counts():
    line = {"file": "ari/a.fit"}
    assert described({**line, "kind": "race"}, {**line, "kind": "test"})[0] == "test"


# --- Months ----------------------------------------------------------------------------------------------------------

MARCH, APRIL = NINE, datetime(2026, 4, 2, 9, tzinfo=UTC)
#: Student's t at 97.5 % by degrees of freedom, from printed tables.
T_1, T_3 = 12.7062, 3.18245


def months(*drifts: tuple[str, datetime, float | None, float | None], shared: float = 0.0) -> list[tuple[object, ...]]:
    """Rows of (athlete, month, drift, low, high, runs) for runs of (athlete, start, drift, its own error)."""
    rows = [
        {
            "run_id": f"run {place}", "athlete_id": athlete, "metric": "cadence_spm", "n_splits": 9,
            "drift_pct_per_10km": drift, "within_run_se_pct_per_10km": own, "response_se_pct_per_10km": shared,
        }
        for place, (athlete, _, drift, own) in enumerate(drifts)
    ]  # fmt: skip
    starts = pl.DataFrame(
        {"run_id": [f"run {place}" for place in range(len(drifts))], "started_at_utc": [one[1] for one in drifts]},
        schema_overrides={"run_id": pl.String, "started_at_utc": pl.Datetime("us", "UTC")},
    )
    trend = season_trend(pl.DataFrame(rows, schema=empty("run_drift").schema), starts)
    columns = trend.select("athlete_id", "month", "drift_pct_per_10km", "drift_low", "drift_high", "n_runs")
    return [tuple(round(one, 3) if isinstance(one, float) else one for one in row) for row in columns.iter_rows()]


def interval(mean: float, reach: float) -> tuple[float, float, float]:
    return (mean, round(mean - reach, 3), round(mean + reach, 3))


def test_a_season_of_one_run_has_no_interval_for_nothing_says_how_runs_scatter():
    assert months(("ari", MARCH, 2.0, 0.5)) == [("ari", "2026-03", 2.0, None, None, 1)]


def test_runs_weigh_by_their_precision_as_worked_out_by_hand():
    # Errors 0.5 and 1: weights 4 to 1. Mean (4 × 2 + 1 × 1) / 5 = 1.8. The runs differ by less than their errors allow,
    # so the error of the mean is that of the weights, 1 / sqrt(5), with one degree of freedom.
    assert months(("ari", MARCH, 2.0, 0.5), ("ari", MARCH, 1.0, 1.0)) == [
        ("ari", "2026-03", *interval(1.8, T_1 / sqrt(5)), 2)
    ]


def test_runs_that_disagree_weigh_alike_and_widen_the_interval_as_worked_out_by_hand():
    # Two runs at 0 and 6 with errors of 1: mean 3, disagreement 9 + 9 where 1 was to be expected. Between them lies a
    # variance of (18 - 1) / (2 - 2/2) = 17, so each has 1 + 17 = 18 and the mean 18 / 2: its error is 3.
    assert months(("ari", MARCH, 0.0, 1.0), ("ari", MARCH, 6.0, 1.0)) == [
        ("ari", "2026-03", *interval(3.0, 3 * T_1), 2)
    ]


def test_with_three_runs_beyond_one_a_month_scatter_is_what_lies_inside_months():
    # Three runs at 0 in March, two at 10 in April, errors 1: inside months nothing differs, 5 - 2 = 3 are free.
    drifts = [("ari", MARCH, 0.0, 1.0)] * 3 + [("ari", APRIL, 10.0, 1.0)] * 2
    assert LEAST_DF == 3
    assert months(*drifts) == [
        ("ari", "2026-03", *interval(0.0, T_3 / sqrt(3)), 3),
        ("ari", "2026-04", *interval(10.0, T_3 / sqrt(2)), 2),
    ]


def test_with_two_beyond_one_a_month_scatter_is_that_of_the_season():
    # Two runs at 0 in March, two at 10 in April, errors 1: about the season's mean of 5 they disagree by 4 × 25 where 3
    # was to be expected. Between them lies (100 - 3) / (4 - 4/4) = 97/3, so a run has 100/3 and a month of two 50/3.
    drifts = [("ari", MARCH, 0.0, 1.0)] * 2 + [("ari", APRIL, 10.0, 1.0)] * 2
    assert months(*drifts) == [
        ("ari", "2026-03", *interval(0.0, T_3 * sqrt(50 / 3)), 2),
        ("ari", "2026-04", *interval(10.0, T_3 * sqrt(50 / 3)), 2),
    ]


def test_an_error_that_runs_share_does_not_shrink_with_their_number():
    drifts = [("ari", MARCH, 2.0, 1.0)] * 4
    assert months(*drifts, shared=0.7) == [("ari", "2026-03", *interval(2.0, T_3 * sqrt(1 / 4 + 0.7**2)), 4)]


def test_runs_without_an_error_of_their_own_do_not_enter():
    sound = [("ari", MARCH, 2.0, 0.5), ("ari", MARCH, 1.0, 1.0)]
    assert months(*sound, ("ari", MARCH, 9.0, None), ("ari", MARCH, 9.0, 0.0)) == months(*sound)


def test_a_run_belongs_to_the_month_of_its_start_in_utc():
    last, first = datetime(2026, 3, 31, 23, 59, 59, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
    assert [row[1] for row in months(("ari", last, 2.0, 0.5), ("ari", first, 2.0, 0.5))] == ["2026-03", "2026-04"]


def test_athletes_are_kept_apart():
    ari, bo = [("ari", MARCH, 0.0, 1.0), ("ari", MARCH, 6.0, 1.0)], [("bo", MARCH, 2.0, 0.5), ("bo", MARCH, 1.0, 1.0)]
    assert months(*bo, *ari) == [*months(*ari), *months(*bo)]


def test_no_drifts_give_no_months():
    assert months() == []


# --- Conclusions -----------------------------------------------------------------------------------------------------

#: What the stage drift gives of an athlete's cadence; here with an interval well away from zero.
RISEN = {
    "athlete_id": "a", "metric": "cadence_spm", "n_runs": 9, "n_splits": 99, "fresh_level": 170.0,
    "drift_pct_per_10km": 3.0, "drift_low": 2.0, "drift_high": 4.0, "p_value": 0.001, "collinearity": 0.1,
    "usual_distance_km": 20.0, "change_at_usual_distance_low": 4.0, "change_at_usual_distance_high": 8.0,
    "either_line_low": 4.0, "either_line_high": 8.0, "excluded_early_share": 0.25, "excluded_late_share": 0.25,
}  # fmt: skip
#: The same where a break stands out at km 9.
BROKEN = {
    "onset_km": 9.0, "onset_low": 8.0, "onset_high": 10.0, "drift_before_onset_pct": 0.5, "drift_after_onset_pct": 6.0,
}  # fmt: skip
#: Nothing that matters, per 10 km or over the usual distance.
SMALL = {
    "drift_pct_per_10km": 0.2, "drift_low": -0.4, "drift_high": 0.8, "p_value": 0.5,
    "change_at_usual_distance_low": -0.8, "change_at_usual_distance_high": 1.4,
    "either_line_low": -0.8, "either_line_high": 1.4,
}  # fmt: skip
FROM_DRIFT = {
    name: dtype
    for name, dtype in empty("athlete_drift").schema.items()
    if not name.startswith("repeatability")
    and not name.startswith("smallest_change")
    and name not in ("q_value", "finding", "suspicion")
} | {
    "either_line_low": pl.Float64,
    "either_line_high": pl.Float64,
    "depends_on_speed": pl.Boolean,
    "club_response": pl.Float64,
}


def concluded(
    *rows: dict[str, object], run_drifts: pl.DataFrame | None = None, quality: pl.DataFrame | None = None
) -> list[dict[str, object]]:
    """Rows of athlete_drift for athletes a, b, c ... with these differences from RISEN."""
    drifts = [{**RISEN, "athlete_id": chr(97 + place), **row} for place, row in enumerate(rows)]
    found = athlete_drift(
        pl.DataFrame(drifts, schema=FROM_DRIFT),
        empty("run_drift") if run_drifts is None else run_drifts,
        quality,
        smallest_change_pct={"cadence_spm": 1.0},
        max_collinearity=0.9,
        usual_distance_margin=1.5,
        max_late_exclusion_excess=0.15,
    )
    for reason, reasons in found.select("reason", "reasons").iter_rows():
        if "few" not in (reason or ""):  # which these rows give as words alone
            assert ENGLISH.reasons(reasons).replace(MINUS, "-") == (reason or "")
    return found.sort("athlete_id").to_dicts()


def test_a_change_that_rests_on_how_well_speed_was_measured_is_unclear_and_says_so():
    certain, resting = concluded({"tipping_reliability": 0.4}, {"tipping_reliability": 0.8, "depends_on_speed": True})
    assert (certain["finding"], certain["tipping_reliability"]) == ("rises", 0.4)
    assert (resting["finding"], resting["tipping_reliability"]) == ("unclear", None)
    assert str(resting["reason"]).startswith("depends on how well speed was measured")


def test_an_athlete_far_from_the_club_is_named_whatever_the_finding():
    said = "responds to speed unlike the club (exponent -1.60, the club's mean -0.56)"
    far = {"response_to_speed": -1.6, "club_response": -0.56}
    risen, resting, like = concluded(far, {**far, "depends_on_speed": True}, {"response_to_speed": -0.6})
    assert (risen["finding"], risen["reason"]) == ("rises", said)
    assert (resting["finding"], resting["reason"]) == ("unclear", f"depends on how well speed was measured; {said}")
    assert like["reason"] is None


def corrected(*p_values: float | None) -> list[object]:
    return [
        row["q_value"] and round(float(row["q_value"]), 9) for row in concluded(*({"p_value": p} for p in p_values))
    ]


def test_p_values_are_stepped_up_as_worked_out_by_hand():
    # In order 0.01 × 4/1 = 0.04, 0.02 × 4/2 = 0.04, 0.03 × 4/3 = 0.04, 0.5 × 4/4 = 0.5.
    assert corrected(0.5, 0.01, 0.03, 0.02) == [0.5, 0.04, 0.04, 0.04]


def test_a_step_never_goes_below_the_one_before():
    # 0.01 × 3 = 0.03, 0.04 × 3/2 = 0.06, 0.045 × 3/3 = 0.045: the second is held to the third.
    assert corrected(0.01, 0.04, 0.045) == [0.03, 0.045, 0.045]


def test_an_athlete_without_p_value_stays_without_and_does_not_count():
    assert corrected(0.01, None, 0.03) == [0.02, None, 0.03]


def test_a_club_without_any_p_value_stays_as_it_is():
    assert corrected(None, None) == [None, None]


@pytest.mark.parametrize(
    ("low", "high", "q_value", "finding"),
    [
        (2.0, 4.0, 0.001, "rises"),
        (-4.0, -2.0, 0.001, "falls"),
        (-0.9, 0.9, 0.8, "holds"),
        (0.1, 0.9, 0.001, "holds"),  # certain, and too small to matter
        (-1.0, 0.5, 0.5, "unclear"),  # reaches the smallest change of interest
        (-0.5, 1.0, 0.5, "unclear"),
        (-0.5, 3.0, 0.2, "unclear"),
        (2.0, 4.0, 0.05, "rises"),
        (2.0, 4.0, 0.0501, "unclear"),  # the interval is clear of zero, the corrected p-value is not
        (0.0, 4.0, 0.05, "unclear"),
    ],
)
def test_the_finding_follows_from_interval_and_corrected_p_value(low: float, high: float, q_value: float, finding: str):
    at_10_km = {"either_line_low": low, "either_line_high": high}
    (row,) = concluded({"drift_low": low, "drift_high": high, "p_value": q_value, **at_10_km})
    assert row["finding"] == finding


@pytest.mark.parametrize(
    ("low", "high", "finding"),
    [
        (-1.49, 1.49, "holds"),
        (-0.8, 1.5, "unclear"),  # reaches 1.5 times the smallest change of interest per 10 km
        (-1.5, 1.4, "unclear"),
    ],
)
def test_what_holds_is_small_over_the_usual_distance_too(low: float, high: float, finding: str):
    (row,) = concluded({**SMALL, "either_line_low": low, "either_line_high": high})
    assert (row["finding"], row["smallest_change_at_usual_distance_pct"]) == (finding, 1.5)
    assert (row["reason"] is None) == (finding == "holds")


def test_a_break_that_stands_out_never_holds():
    late = {"change_at_usual_distance_low": 0.1}
    (without, unsure, certain) = concluded(SMALL, {**SMALL, **BROKEN}, {**SMALL, **BROKEN, **late})
    assert [without["finding"], unsure["finding"], certain["finding"]] == ["holds", "unclear", "changes_late"]
    assert (unsure["onset_km"], certain["onset_km"]) == (None, 9.0)


def test_a_break_beyond_which_the_change_turns_back_is_no_late_change():
    turned = {**SMALL, **BROKEN, "change_at_usual_distance_low": 0.1, "drift_after_onset_pct": -6.0}
    assert concluded(turned)[0]["finding"] == "unclear"


def test_a_change_that_is_certain_in_all_stays_a_rise_where_it_breaks():
    assert concluded(BROKEN)[0]["finding"] == "rises"


def test_a_p_value_that_is_above_its_limit_alone_is_not_put_down_to_the_number_of_athletes():
    many = [{"p_value": 0.9, "drift_low": -3.0}] * 9
    alone, among = concluded({"p_value": 0.06})[0], concluded({"p_value": 0.04}, *many)[0]
    assert ["p-value, for which errors" in alone["reason"], "among so many" in among["reason"]] == [True, True]


@pytest.mark.parametrize(("share", "finding"), [(0.39, "holds"), (0.41, "unclear")])
def test_an_athlete_whose_late_kilometres_are_missing_does_not_hold(share: float, finding: str):
    (row,) = concluded({**SMALL, "excluded_late_share": share})
    assert row["finding"] == finding


def test_p_values_are_corrected_within_a_family_of_metrics():
    # Two athletes' cadence, one's step length, which follows from it, and one's heart rate.
    rows = concluded(
        {"p_value": 0.01}, {"p_value": 0.02}, {"metric": "step_length_m", "p_value": 0.03},
        {"metric": "heart_rate_bpm", "p_value": 0.04},
    )  # fmt: skip
    assert [row["q_value"] for row in rows] == [0.02, 0.02, 0.03, 0.04]


@pytest.mark.parametrize(("collinearity", "finding"), [(0.9, "rises"), (0.91, "unclear")])
def test_too_collinear_to_tell_apart_is_unclear(collinearity: float, finding: str):
    assert concluded({"collinearity": collinearity})[0]["finding"] == finding


def test_without_a_drift_there_was_too_little_data():
    nothing = dict.fromkeys(("drift_pct_per_10km", "drift_low", "drift_high", "p_value", "collinearity"))
    assert concluded(nothing)[0]["finding"] == "too_little_data"


def test_an_onset_is_told_only_of_what_changes():
    changed, unchanged = concluded(BROKEN, SMALL)
    assert (changed["onset_km"], changed["onset_low"], changed["onset_high"]) == (9.0, 8.0, 10.0)
    assert (unchanged["finding"], unchanged["onset_km"], unchanged["onset_low"]) == ("holds", None, None)


def test_a_line_bent_along_a_curve_changes_late_without_a_place():
    curve = {**SMALL, **BROKEN, "onset_km": None, "onset_low": None, "onset_high": None}
    unsure, certain = concluded(curve, {**curve, "change_at_usual_distance_low": 0.1})
    assert [unsure["finding"], certain["finding"]] == ["unclear", "changes_late"]
    assert (certain["onset_km"], certain["drift_before_onset_pct"], certain["drift_after_onset_pct"]) == (None,) * 3


# --- Readings that were excluded --------------------------------------------------------------------------------------

NOTHING = {"drift_pct_per_10km": None, "collinearity": None, "p_value": None, "reason": "few"}


def rows_of_quality(*rows: dict[str, object]) -> pl.DataFrame:
    """Rows of `quality` for runs r0, r1 ... of athlete a; cadence, measured throughout unless said otherwise."""
    given = [
        {
            "run_id": f"r{place}", "athlete_id": "a", "quantity": "cadence_spm", "measured_share": 1.0,
            **dict.fromkeys(EXCLUDING_SHARES, 0.0), **row,
        }
        for place, row in enumerate(rows)
    ]  # fmt: skip
    return pl.DataFrame(given, schema=empty("quality").schema)


HALVED = {"measured_share": 0.0, "halved_share": 1.0, "suspicion": "one_foot_counted"}


def test_a_metric_whose_reading_was_excluded_throughout_has_a_row_that_says_why():
    (_, missing) = concluded({"athlete_id": "b"}, quality=rows_of_quality(HALVED, HALVED))[::-1]
    assert (missing["athlete_id"], missing["metric"], missing["n_runs"]) == ("a", "cadence_spm", 0)
    assert (missing["finding"], missing["suspicion"]) == ("too_little_data", "one_foot_counted")
    assert missing["reason"] == "cadence excluded in 2 of 2 runs: looks like one foot counted"


def test_what_was_never_recorded_has_none():
    rows = concluded({"athlete_id": "b"}, quality=rows_of_quality({"measured_share": 0.0}))
    assert [row["athlete_id"] for row in rows] == ["b"]


def test_what_rests_on_the_reading_says_it_too_and_keeps_its_own_reason():
    rows = concluded(
        {**NOTHING, "metric": "duty_factor", "athlete_id": "a"}, {**NOTHING, "metric": "heart_rate_bpm"},
        quality=rows_of_quality(HALVED, {}),
    )  # fmt: skip
    reasons = {(row["athlete_id"], row["metric"]): row["reason"] for row in rows}
    assert reasons["a", "duty_factor"] == "cadence excluded in 1 of 2 runs: looks like one foot counted; few"
    assert reasons["b", "heart_rate_bpm"] == "few"


@pytest.mark.parametrize(("share", "is_said"), [(0.5, True), (0.49, False)])
def test_a_run_counts_where_half_of_its_readings_were_excluded(share: float, is_said: bool):
    stuck = {"measured_share": 1 - share, "stuck_share": share, "suspicion": "stuck"}
    (row,) = concluded({}, quality=rows_of_quality(stuck))
    assert row["suspicion"] == ("stuck" if is_said else None)


@pytest.mark.parametrize(("n_sound", "is_said"), [(9, True), (10, False)])
def test_a_tenth_of_the_runs_is_worth_saying(n_sound: int, is_said: bool):
    (row,) = concluded({}, quality=rows_of_quality(HALVED, *[{}] * n_sound))
    assert row["suspicion"] == ("one_foot_counted" if is_said else None)


def test_runs_faster_than_the_records_are_said_for_every_metric():
    fast = {"quantity": "speed_m_s", "suspicion": "faster_than_records"}
    (row,) = concluded(NOTHING, quality=rows_of_quality(fast, {"quantity": "speed_m_s"}))
    assert row["suspicion"] == "faster_than_records"
    assert str(row["reason"]).startswith("1 of 2 runs: faster over a kilometre or more than anyone has run")

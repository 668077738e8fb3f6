"""The stage corrections: what the owner of a recording knows about it, applied where its guards are met."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.core.reasons import Reason, as_json, because, words
from pipeline.formats import Recording, readings_frame
from pipeline.stages.corrections import (
    GUARDS,
    Correction,
    clocks_apart,
    corrected,
    corrected_alike,
    corrections,
    listed,
    named,
    tags_of,
    tags_text,
)
from pipeline.tables import empty, publishable

NINE_S = datetime(2026, 3, 14, 9, tzinfo=UTC).timestamp()


def recording(**more: object) -> Recording:
    """Ten seconds at 3 m/s from 2026-03-14T09:00:00Z, 85 steps counted a minute, with a pause of two seconds."""
    readings = {"distance_m": [0.0, 15.0, 30.0], "speed_m_s": [3.0] * 3, "cadence_spm": [0.0, 85.0, 85.0]}
    times = {"time_s": [NINE_S, NINE_S + 5, NINE_S + 10]}
    frame = readings_frame({name: pl.Series(values) for name, values in {**times, **readings}.items()})
    given: dict[str, object] = {"readings": frame, "device": "blue pod", "pauses": ((NINE_S + 6, NINE_S + 8),), **more}
    return Recording(**given)  # type: ignore[arg-type]


def entry(**says: object) -> Correction:
    return Correction(source="corrections.toml", **says)  # type: ignore[arg-type]


def column(result: Recording, name: str) -> list[float]:
    return result.readings[name].to_list()


# --- What it changes --------------------------------------------------------------------------------------------------


def test_a_cadence_factor_multiplies_cadence_alone():
    result, outcome = corrected(recording(), [entry(cadence_factor=2.0)])
    assert (column(result, "cadence_spm"), column(result, "distance_m")) == ([0.0, 170.0, 170.0], [0.0, 15.0, 30.0])
    assert result.corrected == ("cadence_spm",)
    assert words(outcome.changes)[0] == "cadence × 2 (corrections.toml)"


def test_a_distance_factor_multiplies_distance_and_speed():
    result, _ = corrected(recording(), [entry(distance_factor=1.1)])
    assert column(result, "distance_m") == pytest.approx([0.0, 16.5, 33.0])
    assert column(result, "speed_m_s") == pytest.approx([3.3] * 3)


def test_the_speed_of_a_belt_is_that_of_a_recording_without_distance_and_of_no_other():
    without = recording(
        readings=recording().readings.with_columns(
            distance_m=pl.lit(None, pl.Float64), speed_m_s=pl.lit(None, pl.Float64)
        )
    )
    result, outcome = corrected(without, [entry(belt_speed_m_s=3.5)])
    assert column(result, "speed_m_s") == [3.5] * 3
    assert words(outcome.changes)[0] == "belt at 3.5 m/s (corrections.toml)"
    untouched, outcome = corrected(recording(), [entry(belt_speed_m_s=3.5)])
    assert column(untouched, "speed_m_s") == [3.0] * 3
    assert len(outcome.held_back) == 1


def test_a_clock_shift_moves_the_rows_and_the_pauses():
    result, _ = corrected(recording(), [entry(clock_shift_s=-3600.0)])
    assert column(result, "time_s") == [NINE_S - 3600, NINE_S - 3595, NINE_S - 3590]
    assert result.pauses == ((NINE_S - 3594, NINE_S - 3592),)


def test_a_time_zone_reads_the_clock_as_that_of_the_place():
    result, _ = corrected(recording(), [entry(time_zone="Europe/Berlin")])
    assert column(result, "time_s")[0] == NINE_S - 3600
    assert result.pauses[0][0] == NINE_S - 3594


def test_a_clock_that_was_set_back_on_the_way_keeps_its_order_and_is_said():
    one_utc_s = datetime(2026, 10, 25, 1, tzinfo=UTC).timestamp()  # 03:00 in Berlin becomes 02:00
    shown_s = [one_utc_s + 2 * 3600 - 5, one_utc_s + 3600, one_utc_s + 3605]
    readings = recording().readings.with_columns(time_s=pl.Series(shown_s))
    result, _ = corrected(recording(readings=readings, pauses=()), [entry(time_zone="Europe/Berlin")])
    assert column(result, "time_s") == [one_utc_s - 5, one_utc_s, one_utc_s + 5]
    assert result.remarks == (because(Reason.CLOCK_STEPPED_BACK),)


def test_a_time_zone_that_the_reader_was_given_is_not_applied_twice():
    result, outcome = corrected(recording(), [entry(time_zone="Europe/Berlin")], is_zone_read=True)
    assert (column(result, "time_s")[0], len(outcome.applied)) == (NINE_S, 1)


def test_sport_reason_to_leave_out_and_tags_are_handed_on():
    result, outcome = corrected(
        recording(sport="other"),
        [
            entry(sport="running", tags=(("team", "north"),)),
            entry(tags=(("team", "south"), ("weather", "heat"))),
            entry(leave_out="strap was lost"),
        ],
    )
    assert (result.sport, outcome.leave_out) == ("running", "strap was lost")
    assert outcome.tags == {"team": "south", "weather": "heat"}


def test_entries_are_applied_in_order_and_each_sees_what_the_one_before_left():
    twice = [entry(cadence_factor=2.0, guards=(("only_if_cadence_below", 100.0),))] * 2
    result, outcome = corrected(recording(), twice)
    assert column(result, "cadence_spm")[-1] == 170.0
    assert (len(outcome.applied), len(outcome.held_back)) == (1, 1)


@pytest.mark.parametrize(("file", "is_named"), [("a.fit", True), (None, False)])
def test_a_recording_is_named_by_an_applied_entry_that_has_its_file(file: str | None, is_named: bool):
    _, outcome = corrected(recording(), [entry(file=file, cadence_factor=2.0)])
    _, held_back = corrected(
        recording(), [entry(file="a.fit", cadence_factor=2.0, guards=(("only_if_cadence_below", 1.0),))]
    )
    assert (len(outcome.applied), outcome.is_named, held_back.is_named) == (1, is_named, False)


def test_nothing_else_of_the_recording_changes():
    before = recording()
    after, _ = corrected(before, [entry(cadence_factor=2.0)])
    assert after.readings.drop("cadence_spm").equals(before.readings.drop("cadence_spm"))


# --- Guards -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("guard", "measured"),
    [("cadence", 85.0), ("distance", 0.03), ("speed", 3.0)],
)
def test_a_guard_holds_on_its_side_of_the_limit_only(guard: str, measured: float):
    unit = {"cadence": "", "distance": "_km", "speed": "_m_s"}[guard]
    for side, sign in (("below", 1), ("above", -1)):
        name = f"only_if_{guard}_{side}{unit}"
        assert name in GUARDS
        for away, is_applied in ((0.01 * sign, True), (0.0, False), (-0.01 * sign, False)):
            _, outcome = corrected(recording(), [entry(sport="running", guards=((name, measured + away),))])
            assert (len(outcome.applied), len(outcome.held_back)) == ((1, 0) if is_applied else (0, 1)), (name, away)


def test_the_cadence_of_a_guard_is_the_median_where_steps_were_counted():
    # Half of the rows are zero: the median of all would be 85 or 0.
    readings = recording().readings.with_columns(cadence_spm=pl.Series([0.0, 0.0, 90.0]))
    below = entry(cadence_factor=2.0, guards=(("only_if_cadence_below", 89.0),))
    assert corrected(recording(readings=readings), [below])[1].applied == ()


@pytest.mark.parametrize("side", ["below", "above"])
def test_what_was_not_recorded_is_on_neither_side_of_a_guard(side: str):
    readings = recording().readings.with_columns(cadence_spm=pl.lit(None, dtype=pl.Float64))
    guarded = entry(sport="running", guards=((f"only_if_cadence_{side}", 100.0),))
    assert len(corrected(recording(readings=readings), [guarded])[1].held_back) == 1


def test_a_sport_may_be_a_guard():
    guarded = entry(sport="running", only_if_sport="other")
    assert [len(corrected(recording(sport=sport), [guarded])[1].applied) for sport in ("other", "cycling")] == [1, 0]


@pytest.mark.parametrize(
    ("says", "lacks"), [({"cadence_factor": 2.0}, "cadence_spm"), ({"clock_shift_s": 60.0}, "clock")]
)
def test_an_entry_for_what_was_not_recorded_is_held_back(says: dict[str, float], lacks: str):
    given = recording(has_clock=False) if lacks == "clock" else recording(
        readings=recording().readings.with_columns(pl.lit(None, dtype=pl.Float64).alias(lacks))
    )  # fmt: skip
    assert corrected(given, [entry(**says)])[1].held_back == (entry(**says).name,)


# --- Which recordings it names ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("says", "is_named"),
    [
        ({"from_date": date(2026, 3, 14)}, True),
        ({"from_date": date(2026, 3, 15)}, False),
        ({"to_date": date(2026, 3, 14)}, True),
        ({"to_date": date(2026, 3, 13)}, False),
        ({"device": "Blue Pod"}, True),
        ({"device": "blue*"}, True),
        ({"device": "red*"}, False),
    ],
)
def test_days_and_device_name_a_recording(says: dict[str, object], is_named: bool):
    _, outcome = corrected(recording(), [entry(sport="running", **says)])
    assert (len(outcome.applied), outcome.held_back) == (int(is_named), ())


@pytest.mark.parametrize(
    ("source", "says", "is_named"),
    [
        ("corrections.toml", {}, True),
        ("corrections.toml", {"file": "ari/spring/a.gpx"}, True),
        ("corrections.toml", {"file": "ari/*.gpx"}, True),
        ("corrections.toml", {"file": "a.gpx"}, False),
        ("corrections.toml", {"athlete_id": "ari"}, True),
        ("corrections.toml", {"athlete_id": "bo"}, False),
        ("ari/corrections.toml", {"file": "spring/a.gpx"}, True),
        ("ari/corrections.toml", {"file": "ari/spring/a.gpx"}, False),
        ("bo/corrections.toml", {}, False),
        ("ari/spring/corrections.toml", {"file": "a.*"}, True),
    ],
)
def test_path_and_athlete_name_a_file(source: str, says: dict[str, str], is_named: bool):
    own = Correction(source=source, sport="running", **says)  # type: ignore[arg-type]
    assert own.may_concern("ari/spring/a.gpx", "ari") is is_named
    assert own.concerns("ari/spring/a.gpx", "ari/spring/a.gpx", "ari") is is_named


def test_a_member_of_an_archive_is_named_after_an_exclamation_mark():
    own = Correction(source="ari/corrections.toml", file="all.zip!*/a.gpx", sport="running")
    assert own.may_concern("ari/all.zip", "ari")
    assert own.concerns("ari/all.zip", "ari/all.zip!2026/a.gpx", "ari")
    assert not own.concerns("ari/all.zip", "ari/all.zip!2026/b.gpx", "ari")


# --- Clocks whole hours apart -----------------------------------------------------------------------------------------

NINE = datetime(2026, 3, 14, 9, tzinfo=UTC)


def named_as_same(
    minutes_later: float, *, longer: float = 1.0, faster: float = 1.0, athletes: str = "aa", n_quantities: int = 3
) -> list[str | None]:
    """`same_as_run` of two runs of five kilometres, the second so much later, longer and faster, of 3 quantities."""
    starts = [NINE, NINE + timedelta(minutes=minutes_later)]
    runs = pl.DataFrame(
        {
            "run_id": ["first", "second"], "athlete_id": list(athletes), "path": ["1.fit", "2.csv"], "session": [1, 1],
            "started_at_utc": starts, "n_quantities": [n_quantities, 3], "n_samples": [1500, 1500],
        }
    )  # fmt: skip
    splits = pl.DataFrame(
        [
            {"run_id": name, "km": km, "length_m": 1000.0 * longer, "moving_s": 330.0, "speed_m_s": 3.0 * factor}
            for name, longer, factor in (("first", 1.0, 1.0), ("second", longer, faster))
            for km in range(1, 6)
        ]
    )
    said = [as_json([because(Reason.RUN, quantities=["cadence"])])] * 2
    ledger = pl.DataFrame(
        {
            "path": ["1.fit", "2.csv"], "session": 1, "same_as_run": None, "reasons": said,
            "reason": "A run with cadence.", "fix": None,
        },
        schema_overrides={"same_as_run": pl.String, "fix": pl.String},
    )  # fmt: skip
    told = clocks_apart(ledger, runs, splits)
    assert told.columns == ledger.columns, "athletes with such a pair are put below others without"
    return told["same_as_run"].to_list()


@pytest.mark.parametrize(
    ("minutes_later", "is_named"),
    [
        (60, True),
        (62, True),
        (62.1, False),
        (58, True),
        (57.9, False),
        (90, False),
        (120, True),
        (840, True),
        (900, False),
    ],
)
def test_runs_that_began_whole_hours_apart_and_agree_are_named(minutes_later: float, is_named: bool):
    assert named_as_same(minutes_later) == [None, "first" if is_named else None]


@pytest.mark.parametrize(
    ("differs", "is_named"),
    [({"longer": 1.02}, True), ({"longer": 1.021}, False), ({"faster": 0.981}, True), ({"faster": 0.979}, False),
     ({"athletes": "ab"}, False)],
)  # fmt: skip
def test_they_have_to_agree_in_distance_and_pace_and_be_of_one_athlete(differs: dict[str, Any], is_named: bool):
    assert (named_as_same(60, **differs)[1] is not None) is is_named


def test_the_one_that_measured_less_is_to_be_corrected():
    assert named_as_same(60, n_quantities=2) == ["second", None]


# --- What became of entries -------------------------------------------------------------------------------------------


def test_the_name_of_an_entry_follows_from_what_it_says_and_not_from_its_place():
    names = {entry(entry=place, line=place, sport="running").name for place in (1, 2)}
    assert len(names) == 1
    assert entry(sport="walking").name not in names


def test_each_entry_is_listed_with_what_became_of_it():
    used, held, idle = (
        entry(sport="running"),
        entry(entry=2, line=4, cadence_factor=2.0),
        entry(entry=3, sport="walking"),
    )
    faulty = entry(entry=4, line=9, fault="spor is no key of a correction.")
    ledger = pl.DataFrame(
        {"corrections": [named([used.name]), named([idle.name.replace("#", "!"), used.name]), None],
         "guards_not_met": [named([held.name]), None, None],
         "status": ["accepted", "not_running", "accepted"], "joined_quantities": [None, None, None]},
        schema_overrides={"joined_quantities": pl.String},
    )  # fmt: skip
    told = pl.concat(corrected_alike(part) for part in (ledger[:2], ledger[2:]))
    rows = publishable("corrections", corrections(told, listed([used, held, idle, faulty])), subject="the club")
    assert rows.select("entry", "status", "n_applied", "n_guard_not_met").rows() == [
        (1, "applied", 2, 0), (2, "guard_not_met", 0, 1), (3, "matches_nothing", 0, 0), (4, "faulty", 0, 0),
    ]  # fmt: skip
    assert rows["says"].to_list() == ["sport running", "cadence × 2", "sport walking", None]
    assert rows["reason"][3] == "spor is no key of a correction."


@pytest.mark.parametrize(
    ("changes", "joined", "outcome"),
    [
        ({"distance_factor": 1.05}, None, ("only_duplicates", 0, 1)),
        ({"distance_factor": 1.05}, "contact time", ("applied", 1, 0)),
        ({"clock_shift_s": 3600.0}, None, ("applied", 1, 0)),  # without it, it would be no duplicate
        ({"time_zone": "Europe/Lisbon"}, None, ("applied", 1, 0)),
    ],
)
def test_an_entry_that_reached_only_duplicates_says_so_unless_the_run_has_something_of_them(
    changes: dict[str, object], joined: str | None, outcome: tuple[str, int, int]
):
    reached = entry(**changes)
    ledger = pl.DataFrame(
        {"corrections": [None, named([reached.name])], "guards_not_met": [None, None],
         "status": ["accepted", "duplicate"], "joined_quantities": [None, joined]},
        schema=dict.fromkeys(("corrections", "guards_not_met", "status", "joined_quantities"), pl.String),
    )  # fmt: skip
    rows = publishable("corrections", corrections(corrected_alike(ledger), listed([reached])), subject="the club")
    assert rows.select("status", "n_applied", "n_duplicates").row(0) == outcome


def test_without_corrections_there_are_no_rows():
    assert corrections(corrected_alike(empty("recordings")), listed([])).is_empty()


def test_tags_are_written_in_order_and_read_back():
    tags = {"weather": "heat", "team": "north"}
    assert tags_text(tags) == "team=north; weather=heat"
    assert (tags_of("team=north; weather=heat"), tags_of(None), tags_text({})) == (tags, {}, None)

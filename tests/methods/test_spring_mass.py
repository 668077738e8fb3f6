"""Stiffness as a step of the stage splits: which splits have one, from whose body, and when there is none."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.methods.spring_mass import (
    leg_shortening_m,
    leg_stiffness_kn_m,
    lowering_m,
    peak_force_n,
    vertical_stiffness_kn_m,
    with_stiffness,
)
from pipeline.tables import publishable

ADDED = ["peak_force_n", "vertical_stiffness_kn_m", "leg_stiffness_kn_m", "leg_length_from"]
#: A runner of 70 kg and 1.75 m at 4 m/s: the case whose answers tests/reference/ checks.
BASE = {
    "run_id": "ari-1", "athlete_id": "ari", "km": 2, "length_m": 1000.0, "moving_s": 250.0, "running_s": 250.0,
    "run_share": 1.0, "speed_m_s": 4.0, "slope_pct": 0.0, "slope_squared_pct2": 0.09, "contact_time_ms": 220.0,
    "flight_time_ms": 130.0, "n_valid": 250,
}  # fmt: skip
ARI = {"athlete_id": "ari", "mass_kg": 70.0, "height_m": 1.75, "leg_length_m": None}
FULL = (1716.1, 28.192, 9.984, "height")
NOTHING = (None, None, None, None)


def stiffness(*changes: dict[str, object], athletes: list[dict[str, object]] | None = None) -> list[tuple[object, ...]]:
    """What each split gets, as published; a split is BASE with changes."""
    splits = pl.DataFrame(
        [BASE | {"km": km} | change for km, change in enumerate(changes, 1)], infer_schema_length=None
    )
    body = dict.fromkeys(("mass_kg", "height_m", "leg_length_m"), pl.Float64)
    roster = pl.DataFrame(athletes if athletes is not None else [ARI], schema={"athlete_id": pl.String, **body})
    rows = with_stiffness(splits, roster, level_slope_pct=1.0, level_roughness_pct=2.0, min_run_share=0.95)
    return publishable("splits", rows, subject="test").select(ADDED).rows()


def test_a_level_split_of_a_runner_of_known_mass_and_height_has_all():
    assert stiffness({}) == [FULL]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        # On the limit is level, beyond it is not; up and down alike.
        ({"slope_pct": 1.0, "slope_squared_pct2": 1.0}, FULL),
        ({"slope_pct": -1.0, "slope_squared_pct2": 1.0}, FULL),
        ({"slope_pct": 1.01, "slope_squared_pct2": 1.1}, NOTHING),
        ({"slope_pct": -1.01, "slope_squared_pct2": 1.1}, NOTHING),
        # Up and down again: level in the mean, not on the way. 4 is the square of 2 %.
        ({"slope_squared_pct2": 4.0}, FULL),
        ({"slope_squared_pct2": 4.1}, NOTHING),
        ({"slope_pct": None, "slope_squared_pct2": None}, NOTHING),
        ({"run_share": 0.95}, FULL),
        ({"run_share": 0.949}, NOTHING),
        ({"run_share": None}, NOTHING),
        ({"contact_time_ms": None, "flight_time_ms": None}, NOTHING),
        ({"contact_time_ms": 0.0}, NOTHING),
        ({"flight_time_ms": 0.0}, NOTHING),
        ({"flight_time_ms": -12.0}, NOTHING),
        # Peak force and vertical stiffness do not need the speed.
        ({"speed_m_s": None}, (1716.1, 28.192, None, None)),
    ],
)
def test_what_a_split_needs(change: dict[str, object], expected: tuple[object, ...]):
    # Next to a split that has everything, so that one without does not spoil its neighbours.
    assert stiffness({}, change) == [FULL, expected]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({"leg_length_m": 0.9275}, (1716.1, 28.192, 9.984, "measured")),
        # A measured leg goes before the height: 10 % less leg is 7.71 % less stiffness.
        ({"leg_length_m": 0.83475}, (1716.1, 28.192, 9.214, "measured")),
        ({"height_m": None}, (1716.1, 28.192, None, None)),
        ({"mass_kg": None}, NOTHING),
    ],
)
def test_what_the_roster_must_say(body: dict[str, object], expected: tuple[object, ...]):
    assert stiffness({}, athletes=[ARI | body]) == [expected]


def test_an_athlete_who_is_not_in_the_roster_has_none():
    assert stiffness({}, {"athlete_id": "bo"}) == [FULL, NOTHING]
    assert stiffness({}, athletes=[]) == [NOTHING]


def test_rows_and_their_order_stay_as_they_were():
    splits = pl.DataFrame([BASE | {"athlete_id": name, "km": km} for km, name in enumerate(["bo", "ari", "bo"], 1)])
    roster = pl.DataFrame([ARI, ARI | {"athlete_id": "bo"}], infer_schema_length=None)
    stiff = with_stiffness(splits, roster, level_slope_pct=1.0, level_roughness_pct=2.0, min_run_share=0.95)
    assert stiff.select(splits.columns).equals(splits)
    assert stiff.columns == [*splits.columns, *ADDED]


def test_no_splits_are_no_rows():
    splits = pl.DataFrame([BASE]).clear()
    roster = pl.DataFrame([ARI], schema_overrides={"leg_length_m": pl.Float64})
    stiff = with_stiffness(splits, roster, level_slope_pct=1.0, level_roughness_pct=2.0, min_run_share=0.95)
    assert (stiff.height, stiff.columns[-4:]) == (0, ADDED)


def test_a_leg_too_short_to_span_half_the_contact_has_no_stiffness():
    # Half of 4 m/s × 220 ms is 0.44 m.
    legs = [0.43, 0.44, 0.45, np.nan]
    is_given = np.isfinite(leg_stiffness_kn_m(70, legs, 4.0, 220, 130))
    assert is_given.tolist() == [False, False, True, False]


def test_numbers_arrays_and_missing_values_go_through_every_function():
    contact, flight = np.array([220.0, np.nan, 0.0, 220.0]), np.array([130.0, 130.0, 130.0, -1.0])
    for values in (
        peak_force_n(70, contact, flight),
        lowering_m(contact, flight),
        leg_shortening_m(0.9275, 4.0, contact, flight),
        vertical_stiffness_kn_m(70, contact, flight),
        leg_stiffness_kn_m(70, 0.9275, 4.0, contact, flight),
    ):
        assert np.isfinite(values).tolist() == [True, False, False, False]

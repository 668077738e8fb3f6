"""Units and numbers as the pages show them: exact factors, seconds that carry over, one minus sign."""

from __future__ import annotations

from fractions import Fraction

import pytest

from pipeline.pages.units import KM_PER_MILE, MINUS, Units, between, duration, number, numbers, signed

KM, MILE = Units("km", "min/km"), Units("mile", "min/mile")
METRIC = Units("km", "m/s")


# --- Distance ---------------------------------------------------------------------------------------------------------


def test_a_mile_is_the_international_one():
    assert Fraction(KM_PER_MILE).limit_denominator(10**6) == Fraction(1609344, 1000000)


@pytest.mark.parametrize(
    ("km", "in_km", "in_miles"),
    [
        (0.0, "0.0", "0.0"),
        (1.0, "1.0", "0.6"),
        (1.609344, "1.6", "1.0"),
        (16.09344, "16.1", "10.0"),
        (42.195, "42.2", "26.2"),
        (9.96, "10.0", "6.2"),
    ],
)
def test_a_distance_is_given_in_the_unit_chosen(km: float, in_km: str, in_miles: str):
    assert KM.distance_text(km) == in_km
    assert MILE.distance_text(km) == in_miles


@pytest.mark.parametrize(("decimals", "text"), [(0, "26"), (1, "26.2"), (2, "26.22"), (4, "26.2188")])
def test_a_marathon_in_miles_to_any_number_of_decimals(decimals: int, text: str):
    assert MILE.distance_text(42.195, decimals) == text
    assert abs(Fraction(MILE.distance_of(42.195)) - Fraction(42195, 1000) / Fraction(1609344, 10**6)) < Fraction(
        1, 10**9
    )


# --- Speed ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("km_seconds", "per_km"),
    [(300, "5:00"), (307, "5:07"), (240, "4:00"), (359, "5:59"), (60, "1:00"), (59, "0:59"), (754, "12:34")],
)
def test_a_pace_in_whole_seconds_is_given_as_it_is(km_seconds: int, per_km: str):
    assert KM.speed_text(1000 / km_seconds) == per_km


@pytest.mark.parametrize(
    ("mile_seconds", "per_mile"), [(480, "8:00"), (421, "7:01"), (599, "9:59"), (960, "16:00"), (223, "3:43")]
)
def test_a_pace_per_mile_in_whole_seconds_is_given_as_it_is(mile_seconds: int, per_mile: str):
    assert MILE.speed_text(1609.344 / mile_seconds) == per_mile


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(299.4, "4:59"), (299.6, "5:00"), (359.49, "5:59"), (359.51, "6:00"), (59.6, "1:00"), (3599.6, "60:00")],
)
def test_seconds_that_round_to_sixty_carry_over_to_the_minute(seconds: float, text: str):
    assert KM.speed_text(1000 / seconds) == text


def test_a_pace_of_half_a_second_before_the_minute_is_the_minute():
    # 1000 / 3.125 = 320 s and 2000 / 639 m/s = 319.5 s a kilometre: halves go to the even second.
    assert KM.speed_text(3.125) == "5:20"
    assert KM.speed_text(2000 / 639) == "5:20"
    assert KM.speed_text(2000 / 599) == "5:00"
    assert duration(59.5) == "1:00"
    assert duration(3599.5) == "1:00:00"


@pytest.mark.parametrize(("m_s", "text"), [(3.0, "3.00"), (3.256, "3.26"), (2.995, "3.00"), (10.0, "10.00")])
def test_metres_a_second_have_two_decimals(m_s: float, text: str):
    assert METRIC.speed_text(m_s) == text


def test_pace_is_the_inverse_of_speed_and_metres_a_second_are_speed_itself():
    assert KM.speed_of(4.0) == pytest.approx(1000 / 4 / 60, rel=1e-15)
    assert MILE.speed_of(4.0) == pytest.approx(1609.344 / 4 / 60, rel=1e-15)
    assert METRIC.speed_of(4.0) == 4.0
    assert [one.is_pace for one in (KM, MILE, METRIC)] == [True, True, False]


@pytest.mark.parametrize("units", [KM, MILE, METRIC])
@pytest.mark.parametrize("m_s", [None, 0, 0.0, -1.0])
def test_no_speed_and_no_movement_show_nothing(units: Units, m_s: float | None):
    assert units.speed_text(m_s) == ""


def test_distance_and_speed_may_be_in_units_of_different_systems():
    assert Units("mile", "min/km").speed_text(1000 / 300) == "5:00"
    assert Units("km", "min/mile").distance_text(10.0) == "10.0"


# --- Numbers ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "decimals", "plain", "with_sign"),
    [
        (1.25, 2, "1.25", "+1.25"),
        (-1.25, 2, f"{MINUS}1.25", f"{MINUS}1.25"),
        (0.0, 1, "0.0", "0.0"),
        (-0.0, 1, "0.0", "0.0"),
        (0.04, 1, "0.0", "0.0"),
        (-0.04, 1, "0.0", "0.0"),
        (-0.06, 1, f"{MINUS}0.1", f"{MINUS}0.1"),
        (0.06, 1, "0.1", "+0.1"),
        (-0.4, 0, "0", "0"),
        (-0.6, 0, f"{MINUS}1", f"{MINUS}1"),
        (999.96, 1, "1000.0", "+1000.0"),
    ],
)
def test_numbers_have_one_minus_sign_and_zero_has_none(value: float, decimals: int, plain: str, with_sign: str):
    assert number(value, decimals) == plain
    assert signed(value, decimals) == with_sign
    assert "-" not in number(value, decimals) + signed(value, decimals)


def test_what_is_absent_shows_nothing():
    assert number(None, 1) == signed(None) == between(None, None) == duration(None) == KM.distance_text(None) == ""
    assert between(1.0, None) == between(None, 1.0) == ""


def test_an_interval_has_both_ends_with_their_signs():
    assert between(-0.04, 1.44) == "0.0 to +1.4"
    assert between(-2.0, -0.5) == f"{MINUS}2.0 to {MINUS}0.5"
    assert between(0.123, 0.456, 2) == "+0.12 to +0.46"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0:00"),
        (7, "0:07"),
        (307, "5:07"),
        (3599.4, "59:59"),
        (3600, "1:00:00"),
        (3723, "1:02:03"),
        (90061, "25:01:01"),
    ],
)
def test_a_duration_has_hours_only_where_it_has_any(seconds: float, text: str):
    assert duration(seconds) == text


@pytest.mark.parametrize("decimals", [0, 1, 3])
def test_many_numbers_are_written_as_each_of_them_is(decimals: int):
    values = [None, 0.0, -0.0, -0.04, 0.05, -0.05, 0.5, -0.0004, 10.0, -10.0, -100.5, 1234.5]
    assert numbers(values, decimals) == [number(value, decimals) for value in values]
    assert numbers(values, decimals, sign="+") == [signed(value, decimals) for value in values]
    assert numbers([1.25, None], 2, point=",") == ["1,25", ""]
    assert numbers([], decimals) == []

"""Stiffness from timing against Morin, Dalleau, Kyrolainen, Jeannin and Belli 2005, J Appl Biomech 21:167-180.

The paper prints its equations, means of a comparison with force plates, and sensitivities, but no worked example. Those
here were computed from its equations apart from the pipeline, with g = 9.81; tolerance 1e-4, their last digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.methods.spring_mass import (
    G_M_S2,
    LEG_OF_HEIGHT,
    leg_shortening_m,
    leg_stiffness_kn_m,
    lowering_m,
    peak_force_n,
    vertical_stiffness_kn_m,
)

#: mass kg, height m, speed m/s, contact ms, flight ms → leg m, peak force N and in body weights, lowering m, shortening
#: of the leg m, vertical and leg stiffness kN/m, duty factor of the stride.
WORKED = [
    (70, 1.75, 2.50, 280, 80, 0.9275, 1386.86, 2.0196, 0.0612, 0.1298, 22.6455, 10.6834, 0.3889),
    (70, 1.75, 3.00, 260, 100, 0.9275, 1493.54, 2.1749, 0.0632, 0.1492, 23.6154, 10.0087, 0.3611),
    (70, 1.75, 3.33, 245, 115, 0.9275, 1584.98, 2.3081, 0.0641, 0.1586, 24.7259, 9.9921, 0.3403),
    (70, 1.75, 4.00, 220, 130, 0.9275, 1716.06, 2.4990, 0.0609, 0.1719, 28.1920, 9.9840, 0.3143),
    (70, 1.75, 5.00, 190, 145, 0.9275, 1901.86, 2.7696, 0.0551, 0.1860, 34.5104, 10.2266, 0.2836),
    (76, 1.78, 3.33, 250, 100, 0.9434, 1639.57, 2.1991, 0.0600, 0.1568, 27.3380, 10.4585, 0.3571),
    (76, 1.78, 5.00, 200, 135, 0.9434, 1961.63, 2.6311, 0.0556, 0.1990, 35.3079, 9.8596, 0.2985),
    (76, 1.78, 6.67, 160, 140, 0.9434, 2195.86, 2.9452, 0.0436, 0.2090, 50.4205, 10.5087, 0.2667),
]
BASE = {"mass_kg": 70.0, "leg_length_m": 0.9275, "speed_m_s": 4.0, "contact_time_ms": 220.0, "flight_time_ms": 130.0}


def vertical(**changes: float) -> float:
    runner = BASE | changes
    return float(vertical_stiffness_kn_m(runner["mass_kg"], runner["contact_time_ms"], runner["flight_time_ms"]))


def leg(**changes: float) -> float:
    return float(leg_stiffness_kn_m(**(BASE | changes)))


def change_pct(stiffness: float, before: float) -> float:
    return 100 * (stiffness / before - 1)


@pytest.mark.parametrize("row", WORKED, ids=[f"{row[0]} kg at {row[2]} m/s" for row in WORKED])
def test_worked_examples(row: tuple[float, ...]):
    mass, height, speed, contact, flight, leg_m, force, weights, lowering, shortening, k_vert, k_leg, duty_factor = row
    assert LEG_OF_HEIGHT * height == pytest.approx(leg_m, rel=1e-4)
    assert peak_force_n(mass, contact, flight) == pytest.approx(force, rel=1e-4)
    assert peak_force_n(mass, contact, flight) / (mass * G_M_S2) == pytest.approx(weights, rel=1e-4)
    assert lowering_m(contact, flight) == pytest.approx(lowering, abs=5e-5)
    assert leg_shortening_m(leg_m, speed, contact, flight) == pytest.approx(shortening, abs=5e-5)
    assert vertical_stiffness_kn_m(mass, contact, flight) == pytest.approx(k_vert, rel=1e-4)
    assert leg_stiffness_kn_m(mass, leg_m, speed, contact, flight) == pytest.approx(k_leg, rel=1e-4)
    assert contact / (2 * (contact + flight)) == pytest.approx(duty_factor, abs=5e-5)


@pytest.mark.parametrize(
    ("change", "vertical_pct", "leg_pct"),
    [
        # The paper: contact time 10 % shorter, about 20 and 25 %; every other input one to one or less.
        ({"contact_time_ms": 198.0}, 18.86, 25.94),
        ({"contact_time_ms": 242.0}, -14.44, -19.00),
        ({"flight_time_ms": 117.0}, 3.91, -1.15),
        ({"mass_kg": 63.0}, -10.00, -10.00),
        ({"leg_length_m": 0.83475}, 0.0, -7.71),
        ({"speed_m_s": 3.6}, 0.0, 14.85),
        # A shorter contact in a step as long as before.
        ({"contact_time_ms": 198.0, "flight_time_ms": 152.0}, 12.49, 28.25),
    ],
)
def test_sensitivities_at_four_metres_a_second(change: dict[str, float], vertical_pct: float, leg_pct: float):
    assert change_pct(vertical(**change), vertical()) == pytest.approx(vertical_pct, abs=0.005)
    assert change_pct(leg(**change), leg()) == pytest.approx(leg_pct, abs=0.005)


def test_five_milliseconds_of_contact_move_stiffness_as_much_as_published_fatigue():
    """Cadence unchanged, 3.25 m/s, 250 ms contact, 110 ms flight: k_leg -4.2 and +4.5 %, k_vert -1.5 and +1.7 %."""
    fresh = {"speed_m_s": 3.25, "contact_time_ms": 250.0, "flight_time_ms": 110.0}
    for off, vertical_pct, leg_pct in ((5, -1.5, -4.2), (-5, 1.7, 4.5)):
        late = fresh | {"contact_time_ms": 250.0 + off, "flight_time_ms": 110.0 - off}
        assert change_pct(vertical(**late), vertical(**fresh)) == pytest.approx(vertical_pct, abs=0.05)
        assert change_pct(leg(**late), leg(**fresh)) == pytest.approx(leg_pct, abs=0.05)


# --- Identities ------------------------------------------------------------------------------------------------------

RNG = np.random.default_rng(2005)
MASS, CONTACT, FLIGHT = RNG.uniform(40, 110, 200), RNG.uniform(140, 320, 200), RNG.uniform(5, 180, 200)


def test_the_mean_force_over_a_step_carries_the_body():
    # The mean of half a sine wave is 2/π of its peak, over the share of the step that is contact.
    mean_n = peak_force_n(MASS, CONTACT, FLIGHT) * (2 / np.pi) * CONTACT / (CONTACT + FLIGHT)
    np.testing.assert_allclose(mean_n, MASS * G_M_S2, rtol=1e-12)


def test_peak_force_follows_from_the_duty_factor_of_the_step_which_is_twice_that_of_the_stride():
    """Two duty factors are in print: contact over step, 0.5 to 0.8, and ours, contact over stride, below 0.5."""
    of_stride = CONTACT / (2 * (CONTACT + FLIGHT))
    weights = peak_force_n(MASS, CONTACT, FLIGHT) / (MASS * G_M_S2)
    np.testing.assert_allclose(weights, (np.pi / 2) / (2 * of_stride), rtol=1e-12)


def test_vertical_stiffness_over_mass_does_not_depend_on_gravity():
    contact_s, step_s = CONTACT / 1000, (CONTACT + FLIGHT) / 1000
    without_g = (np.pi / 2) * (step_s / contact_s) / (step_s * contact_s / (2 * np.pi) - contact_s**2 / 8)
    np.testing.assert_allclose(vertical_stiffness_kn_m(MASS, CONTACT, FLIGHT) * 1000 / MASS, without_g, rtol=1e-10)


def test_the_body_sinks_as_the_force_integrated_twice_says():
    """The trap of the lost minus: with gravity's term added the body would sink 0.18 m at the base case, not 0.061."""
    contact_s, flight_s, mass = 0.220, 0.130, 70.0
    time_s = np.linspace(0, contact_s, 20_001)
    step_s = time_s[1]
    acceleration = float(peak_force_n(mass, 220, 130)) / mass * np.sin(np.pi * time_s / contact_s) - G_M_S2

    def integral(values: np.ndarray) -> np.ndarray:
        return np.concatenate([[0], np.cumsum((values[1:] + values[:-1]) / 2) * step_s])

    # The body comes down as fast as half a flight made it, and leaves as fast.
    height = integral(integral(acceleration) - G_M_S2 * flight_s / 2)
    assert -height.min() == pytest.approx(float(lowering_m(220, 130)), rel=1e-6)
    added = float(peak_force_n(mass, 220, 130)) * contact_s**2 / (mass * np.pi**2) + G_M_S2 * contact_s**2 / 8
    assert (round(-height.min(), 3), round(added, 2)) == (0.061, 0.18)


# --- Published means -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("quantity", "modelled", "deviation"),
    # Morin 2005, treadmill, 8 men of 76.0 kg and 1.78 m at 3.33 to 6.67 m/s: modelled means and standard deviations.
    [("lowering", 0.05, 0.02), ("shortening", 0.20, 0.03), ("force", 1.91, 0.32), ("k_vert", 37.74, 8.87),
     ("k_leg", 9.75, 2.19)],
)  # fmt: skip
def test_plausible_timings_of_the_treadmill_runners_give_values_within_the_printed_spread(
    quantity: str, modelled: float, deviation: float
):
    """Plausibility only: the paper prints no timings. 196 ms and 124 ms at 5 m/s were solved back from its means."""
    leg_m = LEG_OF_HEIGHT * 1.78
    estimates = {
        "lowering": lowering_m(196, 124),
        "shortening": leg_shortening_m(leg_m, 5.0, 196, 124),
        "force": peak_force_n(76.0, 196, 124) / 1000,
        "k_vert": vertical_stiffness_kn_m(76.0, 196, 124),
        "k_leg": leg_stiffness_kn_m(76.0, leg_m, 5.0, 196, 124),
    }[quantity]
    assert abs(float(estimates) - modelled) < 0.5 * deviation


def test_vertical_stiffness_rises_with_speed_and_that_of_the_leg_stays_about_the_same():
    """As printed by Morin 2005 and Garcia-Pinillos 2019 (10.2478/hukin-2019-0036); timings plausible, not theirs."""
    speed, contact, flight = np.array([row[2:5] for row in WORKED[1:5]]).T
    k_vert = vertical_stiffness_kn_m(70, contact, flight)
    k_leg = leg_stiffness_kn_m(70, 0.9275, speed, contact, flight)
    assert (np.diff(k_vert) > 0).all()
    assert k_vert[-1] / k_vert[0] > 1.4
    assert k_leg.max() / k_leg.min() < 1.03


# --- Directions of published changes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "contact", "flight"), [(4.8, 200, 140), (5.0, 190, 145), (5.0, 200, 130)])
def test_the_mean_changes_of_girard_2013_give_the_directions_its_force_plates_saw(
    speed: float, contact: float, flight: float
):
    """Girard and others 2013, IJSM 34:832-840, 5 km time trial: speed -11.6 %, contact +8.9 %, frequency -4.1 %.

    Printed from the force plate: peak force -2.0 %, shortening -4.3 %, lowering +3.2 % and k_leg +1.3 % (both not
    significant), k_vert -6.0 %. Fresh timings are plausible, not theirs. From means of changes the sine wave gives the
    directions, and twice the size for k_vert: directions only are tested where the paper found any.
    """
    leg_m, mass = 0.94, 70.0
    later = contact * 1.089
    later_flight = (contact + flight) / 0.959 - later
    force, sinking, stiffness = (
        change_pct(float(of(later, later_flight)), float(of(contact, flight)))
        for of in (
            lambda c, f: peak_force_n(mass, c, f),
            lowering_m,
            lambda c, f: vertical_stiffness_kn_m(mass, c, f),
        )
    )
    shortening = change_pct(
        float(leg_shortening_m(leg_m, speed * 0.884, later, later_flight)),
        float(leg_shortening_m(leg_m, speed, contact, flight)),
    )
    of_leg = change_pct(
        float(leg_stiffness_kn_m(mass, leg_m, speed * 0.884, later, later_flight)),
        float(leg_stiffness_kn_m(mass, leg_m, speed, contact, flight)),
    )
    assert force < 0
    assert shortening < 0
    assert sinking > 0
    assert stiffness < -6.0
    assert abs(of_leg) < 2  # no change found in print either


def test_a_day_on_the_treadmill_goes_the_other_way():
    """Morin and others 2011, MSSE 43:829-36, 24 h, measured at 10 km/h: step frequency +4.9 %, contact -4.5 %.

    Printed: both stiffnesses up (by 9.9 and 8.6 %, from memory, so only the direction is tested). Fresh timings are
    plausible, not theirs.
    """
    fresh = {"speed_m_s": 10 / 3.6, "contact_time_ms": 270.0, "flight_time_ms": 90.0}
    later = fresh | {"contact_time_ms": 270 * 0.955, "flight_time_ms": 360 / 1.049 - 270 * 0.955}
    assert vertical(**later) > vertical(**fresh)
    assert leg(**later) > leg(**fresh)

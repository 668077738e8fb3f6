"""The leg and the body's vertical movement as springs, from contact and flight time; a step of the stage `splits`.

Sine-wave method of Morin, Dalleau, Kyrolainen, Jeannin and Belli 2005, J Appl Biomech 21:167-180, doi
10.1123/jab.21.2.167: the force on the ground during a contact of t_c seconds is half a sine wave, which carries the
body over the whole step, t_c + t_f. Their equations, with v the speed, L the length of the leg, m the mass:

    F_max = m g (π/2) (t_f / t_c + 1)                          (6)
    Δy    = F_max t_c² / (m π²) - g t_c² / 8                   (7)   lowering of the body in a contact, as a magnitude
    k_vert = F_max / Δy                                        (5)
    ΔL    = L - sqrt(L² - (v t_c / 2)²) + Δy                   (9)   shortening of the leg
    k_leg = F_max / ΔL                                         (8)

Where it stops being valid: on inclines (Meyer 2023, doi 10.1055/a-2044-4805); without a flight; where the leg could not
span half the contact (v t_c / 2 >= L). The paper's own error in k_leg is 10 % at 3.3 m/s and 4 % at 6.7 m/s.

Contact time carries the error: 5 ms of it at unchanged cadence move k_leg by some 4 % and k_vert by 1.6 %, as much as
published effects of fatigue. Devices differ by more than that, so neither is ever to be compared across devices. Both
are of a split's mean contact and flight time, not means over its steps.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array

G_M_S2 = 9.81
#: Length of the leg, from the hip's greater trochanter to the ground, over body height (Winter 1979, in Morin 2005).
LEG_OF_HEIGHT = 0.53
_LEG_FROM = pl.Series("leg_length_from", ["measured", "height", None])


def peak_force_n(mass_kg: npt.ArrayLike, contact_time_ms: npt.ArrayLike, flight_time_ms: npt.ArrayLike) -> Array:
    """Largest vertical force of the ground on the foot [N], Morin's equation 6.

    Args:
        mass_kg: of the body [kg].
        contact_time_ms: of one foot in one step [ms].
        flight_time_ms: from one contact to the next [ms].

    Returns:
        NaN where there is no contact or no flight, or anything is NaN.
    """
    mass, contact_s, flight_s = _running(mass_kg, contact_time_ms, flight_time_ms)
    return mass * G_M_S2 * (np.pi / 2) * (flight_s / contact_s + 1)


def lowering_m(contact_time_ms: npt.ArrayLike, flight_time_ms: npt.ArrayLike) -> Array:
    """How far the body sinks from touching the ground to the middle of the contact [m], Morin's equation 7.

    The term of gravity is subtracted: added, as the equation can be misread without its leading minus, it would give
    three times as much. Mass cancels.
    """
    _, contact_s, flight_s = _running(1.0, contact_time_ms, flight_time_ms)
    return G_M_S2 * contact_s * (contact_s + flight_s) / (2 * np.pi) - G_M_S2 * contact_s**2 / 8


def leg_shortening_m(
    leg_length_m: npt.ArrayLike, speed_m_s: npt.ArrayLike, contact_time_ms: npt.ArrayLike, flight_time_ms: npt.ArrayLike
) -> Array:
    """How much the leg shortens from touching the ground to the middle of the contact [m], Morin's equation 9.

    Returns:
        NaN also where the leg is too short to span half the contact.
    """
    leg, speed = np.asarray(leg_length_m, dtype=np.float64), np.asarray(speed_m_s, dtype=np.float64)
    half_contact_m = speed * np.asarray(contact_time_ms, dtype=np.float64) / 2000
    height_squared = np.where((half_contact_m < leg) & (speed > 0), leg**2 - half_contact_m**2, np.nan)
    return leg - np.sqrt(height_squared) + lowering_m(contact_time_ms, flight_time_ms)


def vertical_stiffness_kn_m(
    mass_kg: npt.ArrayLike, contact_time_ms: npt.ArrayLike, flight_time_ms: npt.ArrayLike
) -> Array:
    """Stiffness of the body's vertical movement [kN/m], Morin's equation 5; arguments as for `peak_force_n`."""
    return peak_force_n(mass_kg, contact_time_ms, flight_time_ms) / lowering_m(contact_time_ms, flight_time_ms) / 1000


def leg_stiffness_kn_m(
    mass_kg: npt.ArrayLike,
    leg_length_m: npt.ArrayLike,
    speed_m_s: npt.ArrayLike,
    contact_time_ms: npt.ArrayLike,
    flight_time_ms: npt.ArrayLike,
) -> Array:
    """Stiffness of the leg [kN/m], Morin's equation 8.

    Args:
        mass_kg: of the body [kg].
        leg_length_m: from the greater trochanter to the ground [m].
        speed_m_s: of running [m/s].
        contact_time_ms: of one foot in one step [ms].
        flight_time_ms: from one contact to the next [ms].

    Returns:
        NaN where there is no contact or no flight, the leg could not span half the contact, or anything is NaN.
    """
    shortening_m = leg_shortening_m(leg_length_m, speed_m_s, contact_time_ms, flight_time_ms)
    return peak_force_n(mass_kg, contact_time_ms, flight_time_ms) / shortening_m / 1000


def _running(
    mass_kg: npt.ArrayLike, contact_time_ms: npt.ArrayLike, flight_time_ms: npt.ArrayLike
) -> tuple[Array, Array, Array]:
    """The three in kg and s; NaN in all where there is no contact or no flight."""
    mass, contact_s, flight_s = np.broadcast_arrays(
        np.asarray(mass_kg, dtype=np.float64),
        np.asarray(contact_time_ms, dtype=np.float64) / 1000,
        np.asarray(flight_time_ms, dtype=np.float64) / 1000,
    )
    runs = (contact_s > 0) & (flight_s > 0) & (mass > 0)
    return np.where(runs, mass, np.nan), np.where(runs, contact_s, np.nan), np.where(runs, flight_s, np.nan)


def with_stiffness(
    splits: pl.DataFrame,
    athletes: pl.DataFrame,
    *,
    level_slope_pct: float,
    level_roughness_pct: float,
    min_run_share: float,
) -> pl.DataFrame:
    """Add peak force and both stiffnesses to the level, run splits of athletes whose mass is known.

    Args:
        splits: rows of `splits` with `athlete_id`.
        athletes: `athlete_id`, `mass_kg`, `height_m`, `leg_length_m`; a row an athlete.
        level_slope_pct: splits with a steeper mean slope, up or down, get none [%].
        level_roughness_pct: nor do those whose slope has a larger root mean square [%].
        min_run_share: nor those with a smaller share of running.

    Returns:
        The rows in their order with `peak_force_n`, `vertical_stiffness_kn_m`, `leg_stiffness_kn_m`, and
        `leg_length_from`, which says what the last of them rests on. Null where anything needed is absent.
    """
    body = splits.select("athlete_id").join(
        athletes.select("athlete_id", "mass_kg", "height_m", "leg_length_m"),
        on="athlete_id",
        how="left",
        maintain_order="left",
    )
    mass, height, measured_leg = _numbers(body, "mass_kg", "height_m", "leg_length_m")
    leg = np.where(np.isnan(measured_leg), LEG_OF_HEIGHT * height, measured_leg)
    slope, roughness, run_share = _numbers(splits, "slope_pct", "slope_squared_pct2", "run_share")
    is_level = (
        (np.abs(slope) <= level_slope_pct) & (np.sqrt(roughness) <= level_roughness_pct) & (run_share >= min_run_share)
    )
    speed, contact, flight = _numbers(splits, "speed_m_s", "contact_time_ms", "flight_time_ms")
    contact = np.where(is_level, contact, np.nan)
    stiffness = {
        "peak_force_n": peak_force_n(mass, contact, flight),
        "vertical_stiffness_kn_m": vertical_stiffness_kn_m(mass, contact, flight),
        "leg_stiffness_kn_m": leg_stiffness_kn_m(mass, leg, speed, contact, flight),
    }
    leg_from = np.where(np.isnan(stiffness["leg_stiffness_kn_m"]), 2, np.isnan(measured_leg))
    return splits.with_columns(
        *(pl.Series(name, values, nan_to_null=True) for name, values in stiffness.items()), _LEG_FROM.gather(leg_from)
    )


def _numbers(rows: pl.DataFrame, *columns: str) -> Iterator[Array]:
    return (rows[name].cast(pl.Float64).to_numpy() for name in columns)

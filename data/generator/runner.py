"""The physics of one run: an athlete, a course and a pacing plan in; what truly happened out, one row a second.

A run is laid out over distance first, because hills and plans are: speed at each place from the plan, the slope and
chance; then time follows from speed, and the run is read off at whole seconds. Cadence and contact time follow from
speed, slope, the planted drift and noise that is correlated along the run; everything else follows from those two:

    flight time = 60 / cadence − contact time          step length = speed · 60 / cadence
    vertical oscillation = Fmax·tc²/(m·π²) − g·tc²/8 + g·tf²/8,  Fmax = m·g·π/2·(tf/tc + 1)

Source of the last line: the spring-mass model of Morin et al. 2005, J Appl Biomech 21:167-180, doi
10.1123/jab.21.2.167, eq. 6 and 7, from touch-down to the lowest point, plus the rise of free flight. It holds on the
level; here it is used everywhere, as the world of the generator may.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Column = npt.NDArray[np.float64]

G_M_S2 = 9.81
#: The run is laid out in steps of this length [m].
STEP_M = 2.0
#: Distance over which form and pace wander along a run: noise is a first-order process with this length [m].
WANDER_M = 600.0
#: Knots of that noise [m].
KNOT_M = 100.0
#: SD of a kilometre's mean over SD at a point, of such a process: sqrt(2q + 2q²(exp(-1/q) - 1)), q = WANDER_M / 1 km.
KILOMETRE_SHARE = 0.785
#: Speed lost per percent of climb and gained per percent of descent. Common practice, no source.
SLOWS_PER_PCT, HASTENS_PER_PCT = 0.025, 0.012
#: Way from standing to full speed at constant acceleration [m]. Common practice, no source.
STARTING_M = 8.0
#: Heart rate follows the effort with this lag [s]. Common practice, no source.
HEART_LAG_S = 40.0
#: Effort of climbing: 1 % of climb counts like this much more speed (Minetti et al. 2002, J Appl Physiol 93:1039-46,
#: cost at 5 % is 1.30 of the level, hence 6 % per percent; a little less, as speed has a part that is no climbing).
EFFORT_PER_PCT = 0.05
#: A walk: speed [m/s], cadence [steps/min], share of the stride in contact. From memory; the run-walk transition is at
#: about 140 steps/min (Hum Mov Sci 2023, 90:103117).
WALK_M_S, WALK_SPM, WALK_DUTY = 1.55, 114.0, 0.61
#: Form is not asked below this speed: the first steps from standing take that of this speed [m/s].
SLOWEST_FORM_M_S = 1.8
#: A runner leaves the ground: contact stays below this share of the step.
LONGEST_CONTACT_SHARE = 0.95


@dataclass(frozen=True)
class Drift:
    """A planted change of one quantity with distance, at equal speed and slope.

    Attributes:
        pct_per_10km: mean over runs, beyond the onset [% of the fresh level per 10 km].
        onset_km: where it begins [km].
        sd: SD between runs [% per 10 km].
    """

    pct_per_10km: float = 0.0
    onset_km: float = 0.0
    sd: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Athlete:
    """An invented runner's true parameters.

    Attributes:
        mass_kg: [kg].
        height_m: [m].
        leg_length_m: hip to ground [m].
        reference_speed_m_s: speed at which the levels below hold [m/s].
        cadence_spm: fresh, on the level, at the reference speed [steps/min].
        cadence_per_m_s: rise with speed [steps/min per m/s]; 5.6 in Burns 2019 (doi 10.1152/japplphysiol.00374.2018),
            6.0 in van Oeveren 2019 (J Sports Sci 37:1996-2006).
        cadence_per_slope_pct: change with the slope [% per %]; 4 % at 7 % in Padulo 2013 (doi
            10.1371/journal.pone.0069006).
        contact_time_ms: fresh, on the level, at the reference speed [ms].
        contact_exponent: contact time goes with speed to this power; −0.6 to −0.75 from memory.
        contact_per_slope_pct: change with the slope [% per %]; its sign is not settled in print.
        balance_pct: left share of contact [%].
        heart_rate_bpm: at the reference speed [1/min].
        resting_bpm: at rest [1/min].
        drifts: quantity (`cadence_spm`, `contact_time_ms`, `heart_rate_bpm`) → its planted drift.
        cadence_noise_pct: SD of a kilometre's mean about the model [%].
        contact_noise_pct: the same of contact time [%].
        cadence_level_sd_pct: SD of the fresh level between runs [%].
        contact_level_sd_pct: the same of contact time [%].
    """

    mass_kg: float = 68.0
    height_m: float = 1.74
    leg_length_m: float = 0.92
    reference_speed_m_s: float = 3.2
    cadence_spm: float = 170.0
    cadence_per_m_s: float = 5.8
    cadence_per_slope_pct: float = 0.4
    contact_time_ms: float = 248.0
    contact_exponent: float = -0.66
    contact_per_slope_pct: float = 0.3
    balance_pct: float = 50.2
    heart_rate_bpm: float = 148.0
    resting_bpm: float = 52.0
    drifts: Mapping[str, Drift] = field(default_factory=dict)
    cadence_noise_pct: float = 0.6
    contact_noise_pct: float = 1.0
    cadence_level_sd_pct: float = 0.8
    contact_level_sd_pct: float = 1.5


@dataclass(frozen=True)
class Course:
    """An altitude profile over distance, smooth and known in closed form.

    Attributes:
        base_m: altitude at the start, without the waves [m].
        ramps: (from, length, height) of a smooth climb, or of a descent if the height is negative [m].
        waves: (amplitude, wavelength, phase) of lasting undulation [m, m, rad].
    """

    base_m: float = 12.0
    ramps: Sequence[tuple[float, float, float]] = ()
    waves: Sequence[tuple[float, float, float]] = ()

    def altitude_m(self, distance_m: Column) -> Column:
        """Altitude at each distance [m]."""
        altitude = np.full(len(distance_m), self.base_m)
        for start, length, height in self.ramps:
            share = np.clip((distance_m - start) / length, 0.0, 1.0)
            altitude += height * (1 - np.cos(np.pi * share)) / 2
        for amplitude, wavelength, phase in self.waves:
            altitude += amplitude * np.sin(2 * np.pi * distance_m / wavelength + phase)
        return altitude

    def slope_pct(self, distance_m: Column) -> Column:
        """Slope at each distance, the derivative of `altitude_m` [%]."""
        slope = np.zeros(len(distance_m))
        for start, length, height in self.ramps:
            share = (distance_m - start) / length
            on_it = (share > 0) & (share < 1)
            slope += np.where(on_it, 100 * height / length * np.pi / 2 * np.sin(np.pi * np.clip(share, 0, 1)), 0.0)
        for amplitude, wavelength, phase in self.waves:
            turn = 2 * np.pi / wavelength
            slope += 100 * amplitude * turn * np.cos(turn * distance_m + phase)
        return slope

    @staticmethod
    def named(kind: str, length_m: float, phase: float = 0.0) -> Course:
        """A course of a kind.

        Args:
            kind: flat, rolling, out_and_back (out uphill, back down), late_climb, early_climb.
            length_m: of the run [m].
            phase: shifts the undulation, so that two courses of a kind differ [rad].
        """
        ripple = (1.2, 1730.0, phase)
        swell = ((5.5, 2100.0, phase), (3.0, 930.0, 2.3 * phase))
        half = length_m / 2
        match kind:
            case "flat":
                return Course(waves=(ripple,))
            case "rolling":
                return Course(base_m=30.0, waves=swell)
            case "out_and_back":
                return Course(waves=(ripple,), ramps=((0.0, half, 0.012 * half), (half, half, -0.012 * half)))
            case "late_climb":
                # Short hills on the way tell what a hill does; the last third tells what a late one looks like.
                late = 0.62 * length_m
                return Course(base_m=20.0, waves=swell, ramps=((late, length_m - late, 0.034 * (length_m - late)),))
            case "early_climb":
                return Course(base_m=20.0, waves=swell, ramps=((1200.0, 3200.0, 105.0), (6000.0, 3200.0, -105.0)))
            case _:
                raise ValueError(f"There is no course of the kind '{kind}'.")


@dataclass(frozen=True, kw_only=True)
class Pacing:
    """How a run is meant to go.

    Attributes:
        length_m: of the run [m].
        speed_m_s: on the level, without surges [m/s].
        end_change_pct: speed at the end against the beginning; negative fades [%].
        change_from: the change begins at this share of the run.
        surges: (from, to, factor) of faster or slower stretches [m, m].
        walks: (from, to) of walking breaks [m].
        stops: (at, duration, whether the timer stops) of stands [m, s].
        wander_pct: SD of slow changes of pace along the run [%].
        jitter_pct: SD of quick ones, from second to second [%].
        duration_s: stop here even if the length is not reached [s].
    """

    length_m: float
    speed_m_s: float
    end_change_pct: float = 0.0
    change_from: float = 0.0
    surges: Sequence[tuple[float, float, float]] = ()
    walks: Sequence[tuple[float, float]] = ()
    stops: Sequence[tuple[float, float, bool]] = ()
    wander_pct: float = 2.5
    jitter_pct: float = 2.0
    duration_s: float | None = None


@dataclass(frozen=True)
class Run:
    """What truly happened, one row a second; nothing of it has passed a device yet.

    Attributes:
        elapsed_s: since the start [s].
        distance_m: covered since the start [m].
        speed_m_s: [m/s].
        altitude_m: [m].
        slope_pct: [%].
        cadence_spm: 0 while standing [steps/min].
        contact_time_ms: NaN while standing [ms].
        flight_time_ms: NaN while standing; negative in a walk, where both feet are down at times [ms].
        step_length_m: NaN while standing [m].
        vertical_oscillation_mm: NaN unless running [mm].
        contact_balance_pct: left share of contact [%].
        heart_rate_bpm: [1/min].
        is_walking: in a walking break.
        pauses: from and to, during which the timer stood; no rows between [s].
        drifts: what this very run drifted [% per 10 km].
    """

    elapsed_s: Column
    distance_m: Column
    speed_m_s: Column
    altitude_m: Column
    slope_pct: Column
    cadence_spm: Column
    contact_time_ms: Column
    flight_time_ms: Column
    step_length_m: Column
    vertical_oscillation_mm: Column
    contact_balance_pct: Column
    heart_rate_bpm: Column
    is_walking: npt.NDArray[np.bool_]
    pauses: Sequence[tuple[float, float]]
    drifts: Mapping[str, float]


def simulate(
    athlete: Athlete, course: Course, pacing: Pacing, seed: int | Sequence[int], *, has_noise: bool = True
) -> Run:
    """Run once.

    Args:
        athlete: who runs.
        course: where.
        pacing: how.
        seed: of all chance in it.
        has_noise: False leaves out all chance: pace exactly to plan, form exactly the athlete's mean.

    Returns:
        The run, one row a second.
    """
    rng = np.random.default_rng(seed)
    size = 1.0 if has_noise else 0.0
    place_m = np.arange(0.0, pacing.length_m + STEP_M, STEP_M)
    place_m[-1] = pacing.length_m
    slope = course.slope_pct(place_m)
    speed = _planned_speed(pacing, place_m, slope)
    speed *= np.exp(size * pacing.wander_pct / 100 / KILOMETRE_SHARE * _wander(rng, place_m))
    speed *= np.exp(size * pacing.jitter_pct / 100 * _jitter(rng, place_m))
    walking = _is_within(pacing.walks, place_m)
    speed = np.where(walking, WALK_M_S, speed)
    speed *= np.sqrt(np.clip((place_m + 0.1) / STARTING_M, 0.0, 1.0))

    elapsed_s, distance_m, standing, pauses = _read_off(pacing, place_m, speed)
    moving_speed = np.interp(distance_m, place_m, speed)
    slope_pct = course.slope_pct(distance_m)
    drifts = {
        name: drift.pct_per_10km + size * drift.sd * float(rng.standard_normal())
        for name, drift in sorted(athlete.drifts.items())
    }
    form_speed = np.maximum(moving_speed, SLOWEST_FORM_M_S)
    cadence, contact_ms = _form(
        athlete, drifts, speed=form_speed, slope_pct=slope_pct, distance_m=distance_m, rng=rng, size=size
    )
    is_walking = _is_within(pacing.walks, distance_m) & ~standing
    walk_cadence = WALK_SPM * np.exp(size * 0.01 * rng.standard_normal(len(cadence)))
    cadence = np.where(is_walking, walk_cadence, cadence)
    contact_ms = np.where(is_walking, WALK_DUTY * 120_000 / cadence, contact_ms)
    flight_ms = 60_000 / cadence - contact_ms
    speed_m_s = np.where(standing, 0.0, moving_speed)

    def unless(condition: npt.NDArray[np.bool_], values: Column) -> Column:
        return np.where(condition, np.nan, values)

    balance = athlete.balance_pct + size * (0.5 * _wander(rng, distance_m) + 0.4 * rng.standard_normal(len(cadence)))
    return Run(
        elapsed_s=elapsed_s,
        distance_m=distance_m,
        speed_m_s=speed_m_s,
        altitude_m=course.altitude_m(distance_m),
        slope_pct=slope_pct,
        cadence_spm=np.where(standing, 0.0, cadence),
        contact_time_ms=unless(standing, contact_ms),
        flight_time_ms=unless(standing, flight_ms),
        step_length_m=unless(standing, moving_speed * 60 / cadence),
        vertical_oscillation_mm=unless(
            standing | is_walking, vertical_oscillation_mm(athlete.mass_kg, contact_ms, flight_ms)
        ),
        contact_balance_pct=unless(standing, balance),
        heart_rate_bpm=_heart_rate(
            athlete, drifts, elapsed_s=elapsed_s, speed=speed_m_s, slope_pct=slope_pct, distance_m=distance_m
        ),
        is_walking=is_walking,
        pauses=pauses,
        drifts=drifts,
    )


def vertical_oscillation_mm(mass_kg: float, contact_time_ms: Column, flight_time_ms: Column) -> Column:
    """Way of the centre of mass from its lowest to its highest point.

    Args:
        mass_kg: cancels; kept so that the lines read as in the paper [kg].
        contact_time_ms: tc [ms].
        flight_time_ms: tf [ms].

    Returns:
        The way [mm]; see the module for the source.
    """
    tc, tf = contact_time_ms / 1000, flight_time_ms / 1000
    peak_force_n = mass_kg * G_M_S2 * np.pi / 2 * (tf / tc + 1)
    sinks_m = peak_force_n * tc**2 / (mass_kg * np.pi**2) - G_M_S2 * tc**2 / 8
    rises_m = G_M_S2 * tf**2 / 8
    return np.asarray(1000 * (sinks_m + rises_m), dtype=np.float64)


def _planned_speed(pacing: Pacing, place_m: Column, slope_pct: Column) -> Column:
    done = place_m / pacing.length_m
    late = np.clip((done - pacing.change_from) / (1 - pacing.change_from), 0.0, 1.0)
    speed = pacing.speed_m_s * (1 + pacing.end_change_pct / 100 * late)
    for start, end, factor in pacing.surges:
        speed = np.where((place_m >= start) & (place_m < end), speed * factor, speed)
    per_pct = np.where(slope_pct > 0, SLOWS_PER_PCT, HASTENS_PER_PCT)
    return np.asarray(speed * np.exp(-per_pct * slope_pct), dtype=np.float64)


def _is_within(stretches: Sequence[tuple[float, float]], place_m: Column) -> npt.NDArray[np.bool_]:
    within = np.zeros(len(place_m), dtype=np.bool_)
    for start, end in stretches:
        within |= (place_m >= start) & (place_m < end)
    return within


def _read_off(
    pacing: Pacing, place_m: Column, speed: Column
) -> tuple[Column, Column, npt.NDArray[np.bool_], list[tuple[float, float]]]:
    """Read time and distance off at whole seconds.

    Returns:
        Elapsed time, distance, whether standing, and the pauses of the timer (their rows are left out).
    """
    # Speed is linear between places, so the time of a step is its length over the mean speed.
    time_s = np.concatenate([[0.0], np.cumsum(np.diff(place_m) * 2 / (speed[1:] + speed[:-1]))])
    nodes_s, nodes_m = time_s, place_m
    stands: list[tuple[float, float, bool]] = []
    for at_m, duration_s, stops_timer in sorted(pacing.stops):
        at_s = float(np.ceil(np.interp(at_m, nodes_m, nodes_s)))
        behind = int(np.searchsorted(nodes_s, at_s, side="right"))
        held_m = float(np.interp(at_s, nodes_s, nodes_m))
        nodes_s = np.concatenate([nodes_s[:behind], [at_s, at_s + duration_s], nodes_s[behind:] + duration_s])
        nodes_m = np.concatenate([nodes_m[:behind], [held_m, held_m], nodes_m[behind:]])
        stands.append((at_s, at_s + duration_s, stops_timer))
    end_s = nodes_s[-1] if pacing.duration_s is None else min(nodes_s[-1], pacing.duration_s)
    elapsed_s = np.arange(0.0, np.floor(end_s) + 1)
    standing = np.zeros(len(elapsed_s), dtype=np.bool_)
    kept = np.ones(len(elapsed_s), dtype=np.bool_)
    for from_s, to_s, stops_timer in stands:
        inside = (elapsed_s > from_s) & (elapsed_s < to_s)
        standing |= inside
        kept &= ~inside | (not stops_timer)
    distance_m = np.interp(elapsed_s, nodes_s, nodes_m)
    pauses = [(from_s, to_s) for from_s, to_s, stops_timer in stands if stops_timer]
    return elapsed_s[kept], distance_m[kept], standing[kept], pauses


def _form(
    athlete: Athlete,
    drifts: Mapping[str, float],
    *,
    speed: Column,
    slope_pct: Column,
    distance_m: Column,
    rng: np.random.Generator,
    size: float,
) -> tuple[Column, Column]:
    """Cadence [steps/min] and contact time [ms] of each row."""
    n_rows = len(speed)
    cadence = athlete.cadence_spm + athlete.cadence_per_m_s * (speed - athlete.reference_speed_m_s)
    cadence = cadence * np.exp(
        athlete.cadence_per_slope_pct / 100 * slope_pct
        + _drifted(athlete, "cadence_spm", distance_m, drifts)
        + size * athlete.cadence_level_sd_pct / 100 * rng.standard_normal()
        + size * athlete.cadence_noise_pct / 100 / KILOMETRE_SHARE * _wander(rng, distance_m)
        + size * 0.008 * rng.standard_normal(n_rows)
    )
    contact_ms = athlete.contact_time_ms * np.exp(
        athlete.contact_exponent * np.log(speed / athlete.reference_speed_m_s)
        + athlete.contact_per_slope_pct / 100 * slope_pct
        + _drifted(athlete, "contact_time_ms", distance_m, drifts)
        + size * athlete.contact_level_sd_pct / 100 * rng.standard_normal()
        + size * athlete.contact_noise_pct / 100 / KILOMETRE_SHARE * _wander(rng, distance_m)
        + size * 0.015 * rng.standard_normal(n_rows)
    )
    return cadence, np.minimum(contact_ms, LONGEST_CONTACT_SHARE * 60_000 / cadence)


def _drifted(athlete: Athlete, name: str, distance_m: Column, drifts: Mapping[str, float]) -> Column | float:
    """Logarithm of what the drift has made of the fresh level: straight in distance beyond the onset."""
    if name not in drifts:
        return 0.0
    beyond_km = np.maximum(distance_m / 1000 - athlete.drifts[name].onset_km, 0.0)
    return np.asarray(np.log1p(drifts[name] / 100) * beyond_km / 10, dtype=np.float64)


def _heart_rate(
    athlete: Athlete,
    drifts: Mapping[str, float],
    *,
    elapsed_s: Column,
    speed: Column,
    slope_pct: Column,
    distance_m: Column,
) -> Column:
    """Reserve in proportion to effort, behind it by a lag, then drifted.

    Rows are taken as one second apart: the heart does not notice a stop of the timer.
    """
    effort = speed / athlete.reference_speed_m_s * (1 + EFFORT_PER_PCT * np.clip(slope_pct, -4.0, None))
    wanted = athlete.resting_bpm + (athlete.heart_rate_bpm - athlete.resting_bpm) * effort
    # The starter waits on the line with a heart halfway up.
    before = np.full(240, (athlete.resting_bpm + athlete.heart_rate_bpm) / 2)
    weights = np.exp(-np.arange(240) / HEART_LAG_S)
    followed = np.convolve(np.concatenate([before, wanted]), weights / weights.sum())[240 : 240 + len(elapsed_s)]
    return np.asarray(followed * np.exp(_drifted(athlete, "heart_rate_bpm", distance_m, drifts)), dtype=np.float64)


def _wander(rng: np.random.Generator, place_m: Column) -> Column:
    """First-order noise of SD 1 along the run, correlated over WANDER_M."""
    n_knots = int(place_m[-1] // KNOT_M) + 2
    kept = float(np.exp(-KNOT_M / WANDER_M))
    fresh = rng.standard_normal(n_knots).tolist()
    knots = [fresh[0]]
    for shock in fresh[1:]:
        knots.append(kept * knots[-1] + (1 - kept**2) ** 0.5 * shock)
    return np.asarray(np.interp(place_m, KNOT_M * np.arange(n_knots), knots), dtype=np.float64)


def _jitter(rng: np.random.Generator, place_m: Column) -> Column:
    """Quick noise of SD about 1: a new value every 12 m or so of way, straight between."""
    n_knots = int(place_m[-1] // 12) + 2
    return np.asarray(np.interp(place_m, 12.0 * np.arange(n_knots), rng.standard_normal(n_knots)), dtype=np.float64)

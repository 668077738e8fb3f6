"""The registry of quantities: everything that is said of a metric is said here, once.

Tables hold the values, other modules read the rest from here: defaults of settings, pages, terminal, exports, studies.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """A quantity of running, one value per split.

    Attributes:
        column: its column in `splits`; of a reading also in `samples`.
        decimals: shown on pages and in the terminal; the table keeps more.
        meaning: a short text for someone who has the values without the tables' dictionary.
        derived_from: what it is computed from; empty for a reading of a sensor.
    """

    column: str
    label: str
    unit: str
    decimals: int
    meaning: str
    derived_from: tuple[str, ...] = ()

    @property
    def is_reading(self) -> bool:
        """Whether a sensor records it."""
        return not self.derived_from

    @property
    def share_column(self) -> str:
        """Of a reading: the column of `splits` with the share of running time that has it."""
        return f"{self.column.rpartition('_')[0]}_share"


@dataclass(frozen=True, kw_only=True)
class Metric(Quantity):
    """A quantity of running form or effort whose change with distance is measured.

    All are positive, so that their drift is taken in logarithms and comes out in percent.

    Attributes:
        smallest_change_pct: smallest change of interest [% per 10 km], the default of the setting of that name.
        picture_rank: the athlete's page first draws the change with the lowest rank; form comes before effort.
        is_leading: whether the club summary in the terminal shows its numbers.
        is_effort: whether it counts as effort; all others count as form.
        lags_pace: whether it follows a change of pace with a delay: it is adjusted with the lagged speed.
        is_level_only: whether it is computed for level splits only.
        speed_response: published response of its logarithm to log speed.
        speed_response_sd: half of the range about that in which an athlete's response plausibly lies.
        speed_loading: what an error of log speed adds to its logarithm, where it is computed from speed.
        pace_variance_response: what the variance of log speed inside a split adds to the logarithm of its mean.
        pace_variance_response_sd: standard deviation of what athletes differ in that.
        source_column: of a metric of one's own: header in CSV files, or name of a self-described FIT field.
        lowest: likewise the lowest plausible value; lower ones are excluded.
        highest: likewise the highest one.
    """

    smallest_change_pct: float
    smallest_change_source: str
    picture_rank: int
    is_leading: bool = False
    is_effort: bool = False
    lags_pace: bool = False
    is_level_only: bool = False
    speed_response: float = 0.0
    speed_response_sd: float = 1.0
    speed_loading: float = 0.0
    pace_variance_response: float = 0.0
    pace_variance_response_sd: float = 0.3
    source_column: str = ""
    lowest: float = 0.0
    highest: float = math.inf

    @property
    def family(self) -> str:
        """What it is corrected together with: form as measured, what follows from that by arithmetic, or effort."""
        return "effort" if self.is_effort else "measured" if self.is_reading else "derived"


_HOUR_OF_RUNNING = (
    "a convention, below the 1.4 % that an hour of running changes (Hunter and Smith 2007, doi "
    "10.1007/s00421-007-0456-1)"
)
_CONTACT_CHANGE = (
    "a convention: its slope along exhausting runs repeated poorly (ICC of it and two other measures -0.71 to 0.04, "
    "J Hum Kinet 64:57)"
)
_FROM_CONTACT = "a convention: what a change of 2 % in contact time moves it by (computed)"
_NO_SOURCE = "common practice, no source"

#: Expected size of the warm-up's effect [%]; the setting `warm_up_effect_pct` has the reasons.
WARM_UP_EFFECT_PCT = 3.0
#: Error that a kilometre's slope may have [% slope]; the setting `slope_error_pct` has the reasons.
SLOPE_ERROR_PCT = 0.3
#: The same where altitude is rough.
ROUGH_SLOPE_ERROR_PCT = 1.0

#: Cadence rises by 6.0 steps/min per m/s (van Oeveren et al. 2019; 5.6 on the road: Burns, Zendler and Zernicke 2019,
#: doi 10.1152/japplphysiol.00374.2018), which is an exponent of 0.10 at 3 m/s; in a half marathon 16 ± 6 % of speed
#: came from frequency (Hoos et al., Int J Sports Physiol Perform). Contact time on a force plate fell with an exponent
#: of 0.56 (one runner: 258 ms at 2.5, 194 ms at 4.17 m/s). How far athletes differ: common practice, no source.
_CADENCE, _CADENCE_SD = 0.12, 0.06
_CONTACT, _CONTACT_SD = -0.6, 0.25
# Vertical stiffness by timing is 23.6, 28.2, 34.5 kN/m at 3, 4, 5 m/s with plausible times, leg stiffness about
# constant (Morin et al. 2005, doi 10.1123/jab.21.2.167; by its formulas 10 % less speed is 14.9 % more leg stiffness,
# hence the loading). Flight time follows from the two above with 110 ms of flight. Oscillation, heart rate: common
# practice, no source.

#: A metric that answers at once with exponent b has, over a split of mixed pace, log(mean) = b log(mean speed) +
#: (b² - b) / 2 times the variance of log speed (computed, second order). What is computed from the means of others has
#: what follows from theirs. How far athletes differ: what the range of b makes of it, for cadence rounded up.
_CADENCE_MIXED, _CADENCE_MIXED_SD = (_CADENCE**2 - _CADENCE) / 2, 0.1
_CONTACT_MIXED = (_CONTACT**2 - _CONTACT) / 2

#: Every quantity, in the order in which pages, tables and exports list them.
QUANTITIES: tuple[Quantity, ...] = (
    Metric(
        column="cadence_spm", label="cadence", unit="steps/min", decimals=1,
        meaning="Cadence, steps of both feet",
        smallest_change_pct=1.0, smallest_change_source=_HOUR_OF_RUNNING, picture_rank=2, is_leading=True,
        speed_response=_CADENCE, speed_response_sd=_CADENCE_SD,
        pace_variance_response=_CADENCE_MIXED, pace_variance_response_sd=_CADENCE_MIXED_SD,
    ),
    Metric(
        column="contact_time_ms", label="contact time", unit="ms", decimals=1,
        meaning="Contact time", smallest_change_pct=2.0, smallest_change_source=_CONTACT_CHANGE,
        picture_rank=1, is_leading=True, speed_response=_CONTACT, speed_response_sd=_CONTACT_SD,
        pace_variance_response=_CONTACT_MIXED,
    ),
    Metric(
        column="flight_time_ms", label="flight time", unit="ms", decimals=1,
        meaning="Flight time", derived_from=("cadence_spm", "contact_time_ms"),
        smallest_change_pct=5.0, smallest_change_source=_FROM_CONTACT, picture_rank=5,
        speed_response=1.0, speed_response_sd=0.8,
        pace_variance_response=-1.0, pace_variance_response_sd=0.7,
    ),
    Metric(
        column="duty_factor", label="duty factor", unit="contact / stride", decimals=3,
        meaning="Contact time over stride time", derived_from=("cadence_spm", "contact_time_ms"),
        smallest_change_pct=2.0, smallest_change_source=_NO_SOURCE, picture_rank=6,
        speed_response=_CONTACT + _CADENCE, speed_response_sd=_CONTACT_SD,
        pace_variance_response=_CONTACT_MIXED + _CADENCE_MIXED,
    ),
    Metric(
        column="step_length_m", label="step length", unit="m", decimals=3,
        meaning="Step length", derived_from=("speed_m_s", "cadence_spm"),
        smallest_change_pct=1.0, smallest_change_source=_HOUR_OF_RUNNING, picture_rank=4, is_leading=True,
        speed_response=1 - _CADENCE, speed_response_sd=_CADENCE_SD, speed_loading=1.0,
        pace_variance_response=-_CADENCE_MIXED, pace_variance_response_sd=_CADENCE_MIXED_SD,
    ),
    Metric(
        column="leg_stiffness_kn_m", label="leg stiffness", unit="kN/m", decimals=2,
        meaning="Stiffness of the leg as a spring",
        derived_from=("contact_time_ms", "flight_time_ms", "speed_m_s", "mass_kg", "leg_length_m"),
        smallest_change_pct=4.0, smallest_change_source=_FROM_CONTACT, picture_rank=7, is_level_only=True,
        speed_response_sd=0.6, speed_loading=-1.3,
        pace_variance_response_sd=0.8,
    ),
    Metric(
        column="vertical_stiffness_kn_m", label="vertical stiffness", unit="kN/m", decimals=2,
        meaning="Stiffness of the body's vertical movement as a spring",
        derived_from=("contact_time_ms", "flight_time_ms", "mass_kg"),
        smallest_change_pct=2.0, smallest_change_source=_FROM_CONTACT, picture_rank=8, is_level_only=True,
        speed_response=0.7, speed_response_sd=0.5,
        pace_variance_response=-0.45, pace_variance_response_sd=0.5,
    ),
    Metric(
        column="vertical_oscillation_mm", label="vertical oscillation", unit="mm", decimals=1,
        meaning="Vertical oscillation",
        smallest_change_pct=3.0, smallest_change_source=_NO_SOURCE, picture_rank=3,
        speed_response=-0.1, speed_response_sd=0.4,
    ),
    # Signed: 51 is more on the left foot, 49 more on the right. Its distance from 50 would hide a change of sides, and
    # grows with noise alone. Drift is in percent of the share, as of every metric: 2 % of 50 is one percentage point.
    Metric(
        column="contact_balance_pct", label="left share of contact", unit="% left", decimals=1,
        meaning="Share of the left foot in contact time",
        smallest_change_pct=2.0, smallest_change_source=_NO_SOURCE, picture_rank=10,
        speed_response_sd=0.05, pace_variance_response_sd=0.05,
    ),
    Metric(
        column="heart_rate_bpm", label="heart rate", unit="beats/min", decimals=0,
        meaning="Heart rate", smallest_change_pct=2.0, smallest_change_source=_NO_SOURCE,
        picture_rank=9, is_leading=True, is_effort=True, lags_pace=True, speed_response=0.7, speed_response_sd=0.5,
        pace_variance_response=(0.7**2 - 0.7) / 2,
    ),
    # Watches estimate power from speed and slope: its drift at equal speed and slope would be that of the estimate.
    Quantity(
        column="power_w", label="power", unit="W", decimals=0,
        meaning="Power as the sensor estimates it",
    ),
    Quantity(
        column="recorded_step_length_m", label="recorded step length", unit="m", decimals=3,
        meaning="Step length as the sensor gives it",
    ),
    Quantity(
        column="temperature_c", label="temperature", unit="°C", decimals=0,
        meaning="Temperature at the device",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Registry:
    """The quantities in force.

    Attributes:
        quantities: in the order in which pages, tables and exports list them.
    """

    quantities: tuple[Quantity, ...] = QUANTITIES

    def __reduce__(self) -> tuple[object, ...]:
        return registry_with, (self.own,)

    @cached_property
    def own(self) -> tuple[Metric, ...]:
        """The metrics that the settings add."""
        return tuple(metric for metric in self.metrics if metric not in QUANTITIES)

    @cached_property
    def metrics(self) -> tuple[Metric, ...]:
        """The metrics among them, in the same order."""
        return tuple(quantity for quantity in self.quantities if isinstance(quantity, Metric))

    @cached_property
    def metric_of(self) -> Mapping[str, Metric]:
        """The metrics by column."""
        return {metric.column: metric for metric in self.metrics}

    def label(self, column: str) -> str:
        """The label of a metric; the name of one that is no longer known, as records of earlier refreshes have."""
        return self.metric_of[column].label if column in self.metric_of else column

    @cached_property
    def reading_of(self) -> Mapping[str, Quantity]:
        """What sensors record, by column."""
        return {quantity.column: quantity for quantity in self.quantities if quantity.is_reading}

    @cached_property
    def worth(self) -> Mapping[str, str]:
        """The quantities that decide which of two recordings of one run is kept, in words for the ledger."""
        return {metric.column: metric.label for metric in self.metrics if metric.is_reading} | {
            "altitude_m": "altitude"
        }

    def readings_behind(self, column: str) -> tuple[str, ...]:
        """The readings of sensors that a quantity rests on, itself if it is one."""
        if column in self.reading_of:
            return (column,)
        sources = self.metric_of[column].derived_from if column in self.metric_of else ()
        return tuple(dict.fromkeys(reading for source in sources for reading in self.readings_behind(source)))


#: What is in force where the settings add nothing.
BUILT_IN = Registry()


@cache
def registry_with(own: tuple[Metric, ...]) -> Registry:
    """The registry with metrics of one's own after the others."""
    return Registry((*QUANTITIES, *own)) if own else BUILT_IN


METRICS, METRIC_OF, READING_OF = BUILT_IN.metrics, BUILT_IN.metric_of, BUILT_IN.reading_of

"""Where the speed of a run came from, and how wrong the speed of a kilometre may be by each source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class SpeedSource:
    """A source of distance, and with it of speed.

    Attributes:
        meaning: for the dictionary.
        error_pct: median of what is expected of the error of a kilometre's speed (standard deviation) [%].
        reason: where that figure is from.
    """

    meaning: str
    error_pct: float
    reason: str


SPEED_SOURCES: Mapping[str, SpeedSource] = {
    "device": SpeedSource(
        "the device's distance, positions recorded with it",
        1.0,
        "between timing mats of a race of 56 km the distances of 225 watches were off by 0.6 to 1.9 % (median, 9 to 16 "
        "km; Johansson 2020, doi 10.1177/1747954119899880 from memory, the figures read in the author's summary); a "
        "kilometre of them by about 1 %: common practice, no source",
    ),
    "unlocated": SpeedSource(
        "the device's distance without positions: a foot sensor, or an export that left positions out",
        1.0,
        "sensors on the foot are off by 0.09 to 0.16 m/s over some strides (PMC8014039, abstract read), of which a "
        "kilometre's mean keeps an unknown share: common practice, no source",
    ),
    "treadmill": SpeedSource(
        "the device's distance, and the recording says that it was made indoors",
        2.0,
        "the wrist or foot sensor's idea of a belt whose speed it does not know: common practice, no source",
    ),
    "positions": SpeedSource(
        "great circles between positions, as no distance was recorded",
        1.25,
        "positions that no device has smoothed; their kilometres differ from the same device's own distance by 0.3 % "
        "(robust standard deviation over 113 kilometres of 13 recordings, 0.1 to 2 % by recording): common practice, "
        "no source",
    ),
    "speed": SpeedSource(
        "recorded speed times time, as no distance was recorded",
        1.25,
        "as for positions, since single speeds are rounded and may be missing: common practice, no source",
    ),
}

#: Default of the setting `speed_error_pct`.
SPEED_ERROR_PCT: Mapping[str, float] = {name: source.error_pct for name, source in SPEED_SOURCES.items()}

#: A number for every source, or one for each.
SpeedErrorPct = float | Mapping[str, float]


def speed_error_of(speed_error_pct: SpeedErrorPct, source: str | None) -> float:
    """What is expected of a source; of one that is not known the largest of all [%].

    Args:
        speed_error_pct: the setting.
        source: one of `SPEED_SOURCES`, or None.
    """
    if not isinstance(speed_error_pct, Mapping):
        return speed_error_pct
    return max(speed_error_pct.values()) if source is None else speed_error_pct[source]

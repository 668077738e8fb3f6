"""Where the speed of a run came from, and how wrong the speed of a kilometre may be by each source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.core.toml import beside


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


_FILE = beside(__file__)
SPEED_SOURCES: Mapping[str, SpeedSource] = {name: SpeedSource(**about) for name, about in _FILE.items()}

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

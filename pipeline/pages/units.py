"""Units and numbers as the pages show them: distance and speed by the settings, numbers with sign and decimals."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

#: International mile.
KM_PER_MILE = 1.609344

MINUS = "\N{MINUS SIGN}"
_SIGNED_ZERO = re.compile(r"[-+](0(?:\.0*)?)(?![\d.])")


@dataclass(frozen=True)
class Units:
    """How distance and speed are shown.

    Attributes:
        distance: km or mile.
        speed: min/km, min/mile or m/s.
    """

    distance: str
    speed: str

    @property
    def per_km(self) -> float:
        """How many of the unit of distance a kilometre is."""
        return 1.0 if self.distance == "km" else 1 / KM_PER_MILE

    @property
    def is_pace(self) -> bool:
        """Whether speed is given as time over distance, where less is faster."""
        return self.speed != "m/s"

    def distance_of(self, km: float) -> float:
        """A distance [km] in the unit shown."""
        return km * self.per_km

    def speed_of(self, m_s: float) -> float:
        """A speed [m/s] in the unit shown; a pace in minutes."""
        if not self.is_pace:
            return m_s
        metres = 1000.0 if self.speed == "min/km" else 1000.0 * KM_PER_MILE
        return metres / m_s / 60

    def distance_text(self, km: float | None, decimals: int = 1) -> str:
        """A distance [km] as text, without its unit."""
        return number(None if km is None else self.distance_of(km), decimals)

    def speed_text(self, m_s: float | None) -> str:
        """A speed [m/s] as text, without its unit: 5:07, or 3.26."""
        if m_s is None or m_s <= 0:
            return ""
        if not self.is_pace:
            return number(m_s, 2)
        minutes, seconds = divmod(round(60 * self.speed_of(m_s)), 60)
        return f"{minutes}:{seconds:02d}"


def number(value: float | None, decimals: int) -> str:
    """A number rounded to `decimals`; empty for None."""
    if value is None:
        return ""
    text = f"{value:.{decimals}f}"
    if text[0] != "-":
        return text
    return MINUS + text[1:] if float(text) else text[1:]


def numbers(values: Sequence[float | None], decimals: int, *, sign: str = "", point: str = ".") -> list[str]:
    """What `number` says of each value, and `signed` for the sign +: many at once take a fifth of the time."""
    form = f"%{sign}.{decimals}f"
    if None in values:
        texts = "|".join(["" if value is None else form % value for value in values])
    else:
        texts = "|".join([form] * len(values)) % tuple(values)
    zero = f"{0:.{decimals}f}"
    if f"-{zero}" in texts or f"+{zero}" in texts:
        texts = _SIGNED_ZERO.sub(r"\1", texts)
    if "-" in texts:
        texts = texts.replace("-", MINUS)
    return (texts if point == "." else texts.replace(".", point)).split("|") if values else []


def signed(value: float | None, decimals: int = 1, minus: str = MINUS) -> str:
    """A number with its sign; zero after rounding has none. A terminal may need the hyphen as `minus`."""
    if value is None:
        return ""
    text = f"{value:+.{decimals}f}"
    return f"{minus if text[0] == '-' else '+'}{text[1:]}" if float(text) else text[1:]


def between(low: float | None, high: float | None, decimals: int = 1) -> str:
    """An interval of changes: "+0.2 to +1.4"."""
    return "" if low is None or high is None else f"{signed(low, decimals)} to {signed(high, decimals)}"


def duration(seconds: float | None) -> str:
    """A time as hours, minutes and seconds: 1:02:03, or 5:07."""
    if seconds is None:
        return ""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def deciding(value: float, decimals: int, most: int = 3) -> int:
    """How many decimals a number needs so that it does not read as zero, from `decimals` up to `most`."""
    size = abs(value)
    if size >= 10.0**-decimals or size < 0.5 * 10.0**-most:
        return decimals
    return next((n for n in range(decimals, most) if round(size, n)), most)

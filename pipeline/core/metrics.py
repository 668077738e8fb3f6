"""The quantities whose change with distance is measured. Each is a column of `splits`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Metric:
    """A quantity of running form or effort.

    Attributes:
        column: its column in `splits`, and its name in the column `metric` of the drift tables.
        label: its name in words.
        unit: of the column.
        decimals: that a reader needs.
        is_leading: whether the club summary shows its numbers.
    """

    column: str
    label: str
    unit: str
    decimals: int
    is_leading: bool = False

    @property
    def family(self) -> str:
        """What it is corrected together with: form as measured, what follows from that by arithmetic, or effort."""
        if self.column == "heart_rate_bpm":
            return "effort"
        return "measured" if self.column in ("cadence_spm", "contact_time_ms", "vertical_oscillation_mm") else "derived"


#: All are positive, so that their drift is taken in logarithms and comes out in percent.
METRICS = (
    Metric("cadence_spm", "cadence", "steps/min", 1, is_leading=True),
    Metric("contact_time_ms", "contact time", "ms", 1, is_leading=True),
    Metric("flight_time_ms", "flight time", "ms", 1),
    Metric("duty_factor", "duty factor", "contact / stride", 3),
    Metric("step_length_m", "step length", "m", 3, is_leading=True),
    Metric("leg_stiffness_kn_m", "leg stiffness", "kN/m", 2),
    Metric("vertical_stiffness_kn_m", "vertical stiffness", "kN/m", 2),
    Metric("vertical_oscillation_mm", "vertical oscillation", "mm", 1),
    Metric("heart_rate_bpm", "heart rate", "beats/min", 0, is_leading=True),
)

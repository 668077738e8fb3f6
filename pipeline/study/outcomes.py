"""What a study may compare besides the metrics of the drift: speed itself, effort per distance, variability, sides.

No responses to speed and slope are estimated for these: they are compared as they were measured. All are positive, so
that their changes are taken in logarithms and come out in percent.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import polars as pl

from pipeline.core.metrics import BUILT_IN, Quantity, Registry

_OUTCOMES: tuple[tuple[Quantity, pl.Expr], ...] = (
    (
        Quantity(
            column="speed_m_s", label="speed", unit="m/s", decimals=2, meaning="Speed while running",
            derived_from=("speed_m_s",),
        ),
        pl.col("speed_m_s"),
    ),
    (
        Quantity(
            column="beats_per_km", label="heartbeats per kilometre", unit="beats/km", decimals=0,
            meaning="Heart rate over speed: rises where effort and pace part",
            derived_from=("heart_rate_bpm", "speed_m_s"),
        ),
        pl.col("heart_rate_bpm") * 1000 / 60 / pl.col("speed_m_s"),
    ),
    *(
        (
            Quantity(
                column=f"{name}_{kind}", label=f"{'SD' if kind != 'cv_pct' else 'CV'} of {label}",
                unit="%" if kind == "cv_pct" else unit, decimals=2,
                meaning=f"Variability of {label} inside a split, between running samples",
                derived_from=(column,),
            ),
            100 * pl.col(sd_column) / pl.col(column) if kind == "cv_pct" else pl.col(sd_column),
        )
        for name, label, column, unit, sd_column in (
            ("cadence", "cadence", "cadence_spm", "steps/min", "cadence_sd_spm"),
            ("contact_time", "contact time", "contact_time_ms", "ms", "contact_time_sd_ms"),
        )
        for kind in (sd_column.removeprefix(f"{name}_"), "cv_pct")
    ),
    (
        Quantity(
            column="contact_side_ratio", label="longer over shorter side", unit="ratio", decimals=3,
            meaning="Contact time of the side with the longer contact over that of the other, in the split",
            derived_from=("contact_balance_pct",),
        ),
        pl.max_horizontal("contact_balance_pct", 100 - pl.col("contact_balance_pct"))
        / pl.min_horizontal("contact_balance_pct", 100 - pl.col("contact_balance_pct")),
    ),
)  # fmt: skip

OUTCOMES: Mapping[str, pl.Expr] = {quantity.column: value for quantity, value in _OUTCOMES}


@cache
def compared(registry: Registry = BUILT_IN) -> Mapping[str, Quantity]:
    """Everything that may be named in `metrics` of an analysis, by column, in the order in which it is listed."""
    return {**registry.metric_of, **{quantity.column: quantity for quantity, _ in _OUTCOMES}}


def labels(registry: Registry) -> Mapping[str, str]:
    """The same by their labels."""
    return {column: quantity.label for column, quantity in compared(registry).items()}


def value_of(metric: str) -> pl.Expr:
    """The value of a metric or an outcome in rows of `splits`."""
    return OUTCOMES.get(metric, pl.col(metric))


def decimals_of(statistic: str, metric: str, registry: Registry) -> int:
    """Decimals to read a statistic with: of a level those of its metric, whose unit it has, of a share four."""
    if statistic.endswith("_level"):
        return compared(registry)[metric].decimals
    return 4 if statistic.startswith("share") else 2

"""The designs of studies whose cohort is a club, each with a number that is true: as data, and computed by the tool."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.settings import Settings
from pipeline.study.agreements import agreements, reliabilities
from pipeline.study.factors import attributes
from pipeline.study.material import Material
from pipeline.study.responders import responders
from pipeline.study.results import AnalysisResult
from pipeline.study.sections import sections
from pipeline.study.study_file import Analysis
from pipeline.study.trends import onsets, trend
from pipeline.study.windows import equivalent_windows, paired_windows
from pipeline.tables import empty

_METRICS = ("contact_time_ms",)
_DESIGNS: Mapping[str, Callable[[Material, Analysis], AnalysisResult]] = {
    "trend": trend, "paired_windows": paired_windows, "equivalence": equivalent_windows, "sections": sections,
    "responders": responders, "onset": onsets, "agreement": agreements, "reliability": reliabilities,
}  # fmt: skip


@dataclass(frozen=True)
class Asked:
    """An analysis and which of its numbers is looked at.

    Attributes:
        statistic: its name.
        truth: what it is in truth, in its unit; None where nothing is to be found.
        part: of it.
    """

    analysis: Analysis
    statistic: str
    truth: float | None = 0.0
    part: str = ""


def _analysis(design: str, **keys: object) -> Analysis:
    return Analysis(design, design, _METRICS, **keys)  # type: ignore[arg-type]


#: Change from km 1 to 5 to km 13 to 16, of a drift per 10 km that makes 2 % of it: at the margin of equivalence.
EARLY, LATE, MARGIN_PCT = (1.0, 5.0), (13.0, 16.0), 2.0
AT_MARGIN_PCT = 100 * float(np.expm1(np.log1p(MARGIN_PCT / 100) / (14.5 - 3.0) * 10))
#: Scatter of the second sensor of `agreement`: by athlete, run and split [%].
SENSOR_PCT = (1.0, 0.5, 1.0)
_BY_SPEED, _OF_SPEED = "speed, upper half minus speed, lower half", "per m/s of speed"
#: Where nothing is planted in anyone.
OF_NOTHING = {
    "trend": Asked(_analysis("trend"), "slope_pct_per_10km"),
    "trend along time": Asked(_analysis("trend", along="min"), "slope_pct_per_hour"),
    "trend by group": Asked(_analysis("trend", group="speed_m_s"), "slope_difference_pct", part=_BY_SPEED),
    "trend by covariate": Asked(
        _analysis("trend", covariates=("speed_m_s",)), "slope_by_covariate_pct", part=_OF_SPEED
    ),
    "trend, posterior": Asked(_analysis("trend", prior_sd_pct=5.0), "posterior_slope_pct_per_10km"),
    "paired windows": Asked(_analysis("paired_windows", early_km=EARLY, late_km=LATE), "change_pct"),
    "paired windows by group": Asked(
        _analysis("paired_windows", early_km=EARLY, late_km=LATE, group="speed_m_s"),
        "change_difference_pct", part=_BY_SPEED,
    ),
    "sections, line": Asked(_analysis("sections", sections=4), "linear_change_pct"),
    "sections, F": Asked(_analysis("sections", sections=4), "sections_f", None),
    "responders": Asked(_analysis("responders", windows="quarters"), "share_beyond", 0.05),
    "onset": Asked(_analysis("onset"), "onset_km", None),
    "reliability of slopes": Asked(_analysis("reliability"), "slope_icc", None),
    "agreement, bias": Asked(_analysis("agreement"), "bias_pct"),
    "agreement, upper limit": Asked(
        _analysis("agreement"), "upper_limit_pct", 1.959964 * float(np.linalg.norm(SENSOR_PCT))
    ),
}  # fmt: skip
AT_MARGIN = {
    "equivalence at the margin": Asked(
        _analysis("equivalence", early_km=EARLY, late_km=LATE, margin_pct=MARGIN_PCT), "change_pct", MARGIN_PCT
    )
}


def conducted(
    asked: Asked, splits: pl.DataFrame, run_drifts: pl.DataFrame, drifts: pl.DataFrame, seed: int
) -> pl.DataFrame:
    """The number as one row, in the name of the club's first athlete.

    Returns:
        `athlete_id`, `estimate`, `low`, `high`, `truth`, `is_claimed`: p below 0.05, or an interval above zero, or an
        onset.
    """
    settings = Settings()
    started = pl.datetime(2026, 3, 1, 9, time_zone="UTC")
    runs = (
        splits.group_by("run_id", "athlete_id")
        .agg(distance_km=pl.col("length_m").sum() / 1000, moving_s=pl.col("moving_s").sum())
        .with_columns(started_at_utc=started)
        .sort("run_id")
    )
    roster = empty("roster").join(runs.select("athlete_id").unique(), on="athlete_id", how="right")
    material = Material(
        runs=runs,
        splits=splits,
        drifts=drifts,
        run_drifts=run_drifts,
        athletes=attributes(runs, roster),
        landings=empty("landings"),
        other_splits=_other_sensor(splits, seed) if asked.analysis.design == "agreement" else None,
        inclusion=settings.inclusion,
        seed=settings.seed,
    )
    statistics = _DESIGNS[asked.analysis.design](material, asked.analysis).statistics
    [row] = [one for one in statistics if (one.statistic, one.part) == (asked.statistic, asked.part)]
    if row.p_value is not None and row.statistic != "onset_km":
        is_claimed = row.p_value < 0.05
    else:
        is_claimed = row.estimate is not None and (row.low is None or row.low > (asked.truth or 0.0))
    return pl.DataFrame(
        {
            "athlete_id": ["a0000"], "estimate": [row.estimate], "low": [row.low], "high": [row.high],
            "truth": [asked.truth], "is_claimed": [is_claimed],
        },
        schema_overrides=dict.fromkeys(("estimate", "low", "high", "truth"), pl.Float64),
    )  # fmt: skip


def _other_sensor(splits: pl.DataFrame, seed: int) -> pl.DataFrame:
    """The same splits as a second sensor has them, which scatters by athlete, run and split."""
    random, error = np.random.default_rng(seed), np.zeros(splits.height)
    for column, sd in zip(("athlete_id", "run_id", None), SENSOR_PCT, strict=True):
        places = splits[column].rank("dense").to_numpy() - 1 if column else np.arange(splits.height)
        error += sd / 100 * random.standard_normal(int(places.max()) + 1)[places]
    return splits.with_columns(contact_time_ms=pl.col("contact_time_ms") * pl.Series(np.exp(-error)))

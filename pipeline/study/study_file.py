"""What a study file states: the cohort, the analyses and published results, before the result is known."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field

DESIGNS = {
    "paired_windows": "an early and a late stretch of the same runs",
    "trend": "a line over distance, by a mixed model with the athletes as groups",
    "onset": "from which distance the cohort changes",
    "landing": "how the foot landed at two distances",
    "equivalence": "whether an early and a late stretch differ by less than a margin",
    "agreement": "two sensors on the same splits: this store against another one",
    "reliability": "how alike runs of an athlete are, in level and in slope",
}
#: Keys of an analysis by design, besides name and design: any other key would have no effect and is rejected.
_STRETCHES = ("metrics", "adjust", "early_km", "late_km", "windows", "unit", "change_pct")
TAKES: Mapping[str, tuple[str, ...]] = {
    "paired_windows": _STRETCHES,
    "equivalence": (*_STRETCHES, "margin_pct"),
    "trend": ("metrics", "adjust"),
    "onset": ("metrics", "adjust"),
    "landing": ("early_km", "late_km", "foot"),
    "agreement": ("metrics",),
    "reliability": ("metrics",),
}
CORRECTIONS = ("holm", "benjamini_hochberg", "none")
CAUSES = ("speed", "slope")
BOTH_FEET = "both"
FEET = (BOTH_FEET, "left", "right")
QUARTERS = "quarters"
#: Statistics that a published result may be compared with.
STATISTICS = (
    "early_level", "late_level", "change_pct", "effect_size", "slope_pct_per_10km", "onset_km", "share_early",
    "share_late", "bias_pct", "level_icc", "level_typical_error_pct", "slope_icc", "slope_typical_error_pct",
    "angle_change_deg", "odds_ratio", "odds_ratio_equal_speed", "kappa",
)  # fmt: skip


@dataclass(frozen=True)
class Cohort:
    """Which runs of which athletes are included.

    Attributes:
        kinds: kinds of session (race, training, test); empty for all, also those not listed.
        devices: devices, as `runs.device` names them; likewise.
        tags: tags of corrections.toml, as name=value; a run needs all of them.
        after_ride: only runs off the bike, or only others; None for both.
        from_date: first day, YYYY-MM-DD in UTC; None for any.
        min_distance_km: shortest run [km].
        athletes: only these; empty for all.
        not_athletes: not these.
        min_runs: athletes with fewer runs left are excluded.
        min_athletes: with fewer athletes left the study is rejected.
    """

    kinds: tuple[str, ...] = ()
    surfaces: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    after_ride: bool | None = None
    from_date: str | None = None
    to_date: str | None = None
    min_distance_km: float = 0.0
    athletes: tuple[str, ...] = ()
    not_athletes: tuple[str, ...] = ()
    min_runs: int = 1
    min_athletes: int = 3


@dataclass(frozen=True)
class Analysis:
    """One comparison.

    Attributes:
        name: its name in results and published rows.
        design: one of `DESIGNS`.
        metrics: columns of `splits`; none for landing.
        adjust: causes that values are adjusted for first, with each athlete's own responses.
        early_km: the early stretch [km], for landing its distance twice.
        windows: "quarters" for the first and last quarter of each run in place of both.
        unit: athlete (runs are averaged first) or run.
        foot: of landings: both (a runner's class is that of both feet), left or right.
        margin_pct: margin of equivalence [%].
        change_pct: the change to detect, for `--power` [%].
    """

    name: str
    design: str
    metrics: tuple[str, ...] = ()
    adjust: tuple[str, ...] = CAUSES
    early_km: tuple[float, float] | None = None
    late_km: tuple[float, float] | None = None
    windows: str | None = None
    unit: str = "athlete"
    foot: str = BOTH_FEET
    margin_pct: float | None = None
    change_pct: float = 2.0


@dataclass(frozen=True)
class Published:
    """A published result to compare with.

    Attributes:
        analysis: name of the analysis that it is compared with.
        statistic: one of `STATISTICS`.
        value: as published, in percent or kilometres; shares and correlations between 0 and 1. None where a range was
            printed alone.
        source: where it was published, with what was measured in whom.
        read_as: what of it was read, in a word or a few.
        sd: standard deviation between people, in the same unit.
        low: lower end of the printed interval, or of the printed range.
    """

    analysis: str
    statistic: str
    value: float | None
    source: str
    read_as: str
    metric: str | None = None
    n: int | None = None
    sd: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Study:
    """A study as its file states it.

    Attributes:
        shown: the file as it is released, with pseudonyms (`pipeline.study.pseudonyms.released`); empty where it is
            released unchanged.
        note: what a reader must know first; may be empty.
        licence: under which the output may be used, such as CC-BY-4.0; may be empty.
        least_cell: smallest number of athletes in a group that is released.
    """

    title: str
    question: str
    cohort: Cohort
    analyses: tuple[Analysis, ...]
    published: tuple[Published, ...] = ()
    note: str = ""
    licence: str = ""
    authors: tuple[str, ...] = ()
    seed: int = 1
    correction: str = "holm"
    least_cell: int = 3
    text: str = field(default="", repr=False)
    shown: str = field(default="", repr=False)

    def digest(self) -> str:
        """SHA-256 of the original file in UTF-8 with line feeds: the same after a copy between systems."""
        return hashlib.sha256(self.text.replace("\r\n", "\n").encode()).hexdigest()

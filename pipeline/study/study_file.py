"""What a study file states: the cohort, the analyses and published results, before the result is known."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.study.outcomes import compared

DESIGNS = {
    "paired_windows": "an early and a late stretch of the same runs",
    "trend": "a line along the run, by a mixed model with the athletes as groups",
    "sections": "several sections of the same runs: trend, and each against the first",
    "responders": "in how many athletes a change is beyond the smallest that can be detected",
    "onset": "from which distance the cohort changes",
    "landing": "how the foot landed at two distances",
    "equivalence": "whether an early and a late stretch differ by less than a margin",
    "agreement": "two sensors on the same splits: this store against another one",
    "reliability": "how alike runs of an athlete are, in level and in slope",
}
#: Keys of an analysis by design, besides name and design: any other key would have no effect and is rejected.
_VALUES = ("metrics", "adjust", "speed_m_s")
_STRETCHES = (
    *_VALUES, "early_km", "late_km", "early_min", "late_min", "early_tags", "late_tags", "windows",
)  # fmt: skip
_BETWEEN = ("group", "group_at", "covariates", "prior_sd_pct", "prior_scatter_pct")
TAKES: Mapping[str, tuple[str, ...]] = {
    "paired_windows": (*_STRETCHES, "unit", "change_pct", *_BETWEEN),
    "equivalence": (*_STRETCHES, "unit", "change_pct", "margin_pct"),
    "trend": (*_VALUES, "along", *_BETWEEN),
    "sections": (*_VALUES, "sections", "sections_km", "sections_min", *_BETWEEN),
    "responders": (*_STRETCHES, "detectable_pct"),
    "onset": _VALUES,
    "landing": ("early_km", "late_km", "foot"),
    "agreement": ("metrics",),
    "reliability": ("metrics",),
}
#: What athletes may be grouped by, from roster.csv and from the cohort's own runs, and what a covariate may be.
COVARIATES = ("age", "height_m", "mass_kg", "experience_years", "speed_m_s")
GROUPS = ("sex", "squad", *COVARIATES)
#: What a trend may run along: the unit of its slope.
ALONG = {"km": "10km", "min": "hour", "share": "run"}
CORRECTIONS = ("holm", "benjamini_hochberg", "none")
CAUSES = ("speed", "slope")
BOTH_FEET = "both"
FEET = (BOTH_FEET, "left", "right")
QUARTERS = "quarters"
#: Statistics that a published result may be compared with.
STATISTICS = (
    "early_level", "late_level", "change_pct", "effect_size", "change_difference_pct", "change_by_covariate_pct",
    "slope_pct_per_10km", "slope_pct_per_hour", "slope_pct_per_run", "slope_difference_pct", "slope_by_covariate_pct",
    "level_difference_pct", "level_by_covariate_pct", "section_level", "change_from_first_pct", "linear_change_pct",
    "share_beyond", "share_rising", "share_falling", "onset_km", "share_early", "share_late", "bias_pct", "level_icc",
    "level_typical_error_pct", "slope_icc", "slope_typical_error_pct", "angle_change_deg", "odds_ratio",
    "odds_ratio_equal_speed", "odds_ratio_equal_speed_and_slope", "kappa",
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
        max_distance_km: longest run [km]; None for any.
        max_slope_pct: only level runs: steepest that a kilometre may be on average, up or down [%]; None for any.
        min_speed_reliability: athletes whose `speed_reliability` for a metric of the study is lower, or not known, are
            excluded; None for any.
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
    max_distance_km: float | None = None
    max_slope_pct: float | None = None
    min_speed_reliability: float | None = None
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
        metrics: columns of `splits` or outcomes (`pipeline.study.outcomes`); none for landing.
        adjust: causes that values are adjusted for first, with each athlete's own responses; none for outcomes.
        speed_m_s: only splits run at a speed between these [m/s].
        early_km: the early stretch [km], for landing its distance twice.
        early_min: the early stretch in moving time [min].
        early_tags: tags of the early runs, where early and late are different runs, such as before and after a race.
        windows: "quarters" for the first and last quarter of each run in place of both.
        unit: athlete (runs are averaged first) or run.
        along: what a trend runs along: km, moving minutes, or the share of the run.
        sections: number of equal sections of each run.
        sections_km: bounds of adjacent sections [km].
        sections_min: bounds of adjacent sections in moving time [min].
        group: what athletes are grouped by, one of `GROUPS`.
        group_at: bounds between groups of a number; none for its median.
        covariates: what else differs between athletes, of `COVARIATES`.
        prior_sd_pct: standard deviation of the prior of a change, about zero [%]; None for no posterior.
        prior_scatter_pct: median of the half-Cauchy prior of what athletes differ by [%].
        foot: of landings: both (a runner's class is that of both feet), left or right.
        margin_pct: margin of equivalence [%].
        detectable_pct: smallest detectable change from elsewhere [%]; None to take it from athletes' several runs.
        change_pct: the change to detect, for `--power` [%].
        registry: the quantities of the store; no key of the file.
    """

    name: str
    design: str
    metrics: tuple[str, ...] = ()
    adjust: tuple[str, ...] = CAUSES
    speed_m_s: tuple[float, float] | None = None
    early_km: tuple[float, float] | None = None
    late_km: tuple[float, float] | None = None
    early_min: tuple[float, float] | None = None
    late_min: tuple[float, float] | None = None
    early_tags: tuple[str, ...] = ()
    late_tags: tuple[str, ...] = ()
    windows: str | None = None
    unit: str = "athlete"
    along: str = "km"
    sections: int | None = None
    sections_km: tuple[float, ...] = ()
    sections_min: tuple[float, ...] = ()
    group: str | None = None
    group_at: tuple[float, ...] = ()
    covariates: tuple[str, ...] = ()
    prior_sd_pct: float | None = None
    prior_scatter_pct: float = 2.0
    foot: str = BOTH_FEET
    margin_pct: float | None = None
    detectable_pct: float | None = None
    change_pct: float = 2.0
    registry: Registry = BUILT_IN

    @property
    def by_metric(self) -> tuple[Analysis, ...]:
        """The same for one metric each: so an analysis is computed, and one that fails costs no other."""
        return tuple(replace(self, metrics=(metric,)) for metric in self.metrics) or (self,)

    @property
    def metric(self) -> str:
        """The metric of an analysis of one; empty for landing."""
        return self.metrics[0] if self.metrics else ""

    @property
    def label(self) -> str:
        """The label of its metric."""
        return compared(self.registry)[self.metric].label if self.metrics else "landing"

    @property
    def title(self) -> str:
        """What heads a figure of it."""
        return f"{self.label.capitalize()}: {self.name}"

    @property
    def metric_unit(self) -> str:
        """The unit of its metric."""
        return compared(self.registry)[self.metric].unit

    @property
    def is_adjustable(self) -> bool:
        """Whether its design takes values adjusted."""
        return "adjust" in TAKES[self.design]

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """The causes that its values are adjusted for; none where its design takes values as they are."""
        return self.adjust if self.is_adjustable else ()

    @property
    def has_factors(self) -> bool:
        """Whether athletes are grouped, or have covariates."""
        return self.group is not None or bool(self.covariates)


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
        part: which group, section, difference or covariate it is of, as results.csv names it; None for all.
        sd: standard deviation between people, in the same unit.
        low: lower end of the printed interval, or of the printed range.
    """

    analysis: str
    statistic: str
    value: float | None
    source: str
    read_as: str
    metric: str | None = None
    part: str | None = None
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

    @property
    def parts(self) -> dict[tuple[str, str], Analysis]:
        """Each analysis metric by metric, by its name and the metric, in the order of the file."""
        return {(one.name, one.metric): one for analysis in self.analyses for one in analysis.by_metric}

    def digest(self) -> str:
        """SHA-256 of the original file in UTF-8 with line feeds: the same after a copy between systems."""
        return hashlib.sha256(self.text.replace("\r\n", "\n").encode()).hexdigest()

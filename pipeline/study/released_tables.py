"""Tables of the data of a study that are released: their columns, each with its unit and meaning."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.columns import count, dy, flag, identifier, measure, words

_ANALYSIS = words("Name of the analysis, as in results.", key=True)
_METRIC = words("Its metric.", key=True)
_ATHLETE = identifier("Pseudonym of the athlete, a keyed digest.", key=True)


class _OfAthlete(dy.Schema):
    analysis = _ANALYSIS
    metric = _METRIC
    athlete = _ATHLETE


class _OfRun(_OfAthlete):
    run = identifier("Pseudonym of the run, a keyed digest.", key=True)


class Analyses(dy.Schema):
    """What an analysis of a metric does with its rows."""

    analysis = _ANALYSIS
    metric = words("Its metric; empty for landing.", key=True)
    design = words("What kind of comparison.")
    unit = words("What counts as one: athlete (runs are averaged first) or run.")
    adjusted_for = words("What values were adjusted for before, by the athlete's own responses; empty for nothing.")
    margin_pct = measure("%", 6, "Margin of equivalence.")
    detectable_pct = measure("%", 6, "Smallest detectable change, where it was stated.")
    along = words("What a trend runs along: km, min or share.")
    prior_sd_pct = measure("%", 6, "Standard deviation of the prior of an effect; empty for no posterior.")
    prior_scatter_pct = measure("%", 6, "Median of the prior of what athletes differ by.")
    correction = words("How p-values of primary statistics are corrected, over the study.")
    split_km = measure("km", 3, "Length of a split.")


class Stretches(_OfAthlete):
    """The mean of a run over the early and over the late stretch."""

    run = identifier("Pseudonym of the run, a keyed digest; empty for a mean of an athlete's runs by tags.", key=True)
    early = measure("of the metric", 12, "Geometric mean of its splits in the early stretch, adjusted or not.")
    late = measure("of the metric", 12, "The same in the late stretch.")


class Splits(_OfRun):
    """A split of a run."""

    distance_km = measure("km", 6, "Middle of the split, from the start of the run.", key=True, nullable=False)
    moved_min = measure("min", 6, "Moving time from the start of the run to there, where the trend runs along it.")
    share = measure("1", 6, "Share of the run's distance there, where the trend runs along it.")
    value = measure("of the metric", 12, "The metric, adjusted or not.")


class Sections(_OfAthlete):
    """The mean of an athlete over a section, runs counting alike."""

    section = count("Number of the section along the run.", key=True, smallest=1)
    name = words("What it is called in results.")
    value = measure("of the metric", 12, "Geometric mean of its splits, adjusted or not.")


class Levels(_OfRun):
    """Fresh level and drift of a run."""

    level = measure("of the metric", 12, "Level when fresh, at the athlete's usual speed on the level.")
    drift_pct = measure("% per 10 km", 12, "Drift at equal speed and slope.")
    shared_se_pct = measure("% per 10 km", 12, "Part of its standard error that the athlete's runs have in common.")


class Sensors(_OfRun):
    """A split by two sensors."""

    km = count("Number of the split along the run.", key=True)
    here = measure("of the metric", 12, "The metric by the sensor of this store.")
    there = measure("of the metric", 12, "The metric by the sensor of the other store.")


class Landings(dy.Schema):
    """Numbers of runners, each counted once, by how they landed at both distances."""

    analysis = _ANALYSIS
    early = words("How they landed at the early distance: other is any other class, sometimes is rearfoot in some of "
        "several events. Of runners filmed in several events a row with both distances says who changed on the whole.",
        key=True)  # fmt: skip
    late = words("How they landed at the late distance; empty where only the numbers at one of them are released.",
        key=True)  # fmt: skip
    runners = count("Number of people.")
    pairs = count("Number of their events; empty for who changed.", nullable=True)
    share_sum = measure("runners", 12, "Of those who landed on the rearfoot sometimes: the sum of the shares of their "
        "events; empty elsewhere.")  # fmt: skip
    square_sum = measure("runners", 12, "The sum of the squares of these shares.")


class Angles(dy.Schema):
    """The foot-strike angle of a runner at both distances, events on average."""

    analysis = _ANALYSIS
    athlete = _ATHLETE
    early = measure("degrees", 12, "Mean of the feet seen at the early distance, heel down first positive.")
    late = measure("degrees", 12, "The same at the late distance.")


class StrikeChanges(dy.Schema):
    """A runner who landed on the rearfoot at one of two distances only, and whose speed is known at both."""

    analysis = _ANALYSIS
    athlete = _ATHLETE
    run = identifier("Pseudonym of the runner at the event, a keyed digest.", key=True)
    gained = flag("Whether it was the late one.")
    speed_change = measure(
        "steps of 10 %", 1, "Change of speed from early to late: its logarithm over that of 1.1, to a tenth."
    )
    slope_change = measure("%", 1, "By so much the course is steeper late, to half a percent; empty where not known.")


class Raters(dy.Schema):
    """Numbers of feet by the classes that two raters gave them."""

    analysis = _ANALYSIS
    first = words("Class by the rater that counts.", key=True)
    second = words("Class by the other.", key=True)
    feet = count("Number of feet.")


class ReleasedFactors(dy.Schema):
    """Whether an athlete is of a group, or the athlete's covariate."""

    analysis = _ANALYSIS
    metric = _METRIC
    place = count("Number of the group or covariate, in the order of results.", key=True, smallest=1)
    term = words("Which of both.", "group", "covariate")
    part = words("What it is called in results.")
    athlete = _ATHLETE
    value = measure("by part", 12, "1 in the group and 0 outside; a covariate's difference from the cohort's mean, "
        "as a mean of athletes who are alike.")  # fmt: skip


class SharedErrors(dy.Schema):
    """What all athletes have in common in the standard error of a statistic."""

    analysis = _ANALYSIS
    metric = _METRIC
    statistic = words("Which statistic, as in results.", key=True)
    part = words("Which part, as in results; of F tests the section, and the group that is compared.", key=True)
    shared_se = measure("log", 12, "Part of the standard error of its logarithm, from responses to speed for which the "
        "club's were used: taken as known. Where there is one, p of paired_windows is that of t, otherwise of signs. "
        "Of an onset it is that of the bend per 10 km, of F tests "
        "what it moves the mean of the section by, with its sign.")  # fmt: skip


class SharedOfAthletes(_OfAthlete):
    """What the error of the responses to speed and slope moves an athlete's change by."""

    shared = measure(
        "log",
        3,
        "What one standard error of what athletes have in common in them moves the change or "
        "the slope by, with its sign.",
    )
    response_se = measure(
        "log",
        3,
        "Whole standard error of the change by them, what athletes have in common "
        "included; of responders, empty elsewhere.",
    )


class Draws(dy.Schema):
    """A random draw, the same for all analyses with as many units."""

    purpose = words("What it is for: signs of changes, or signs of athletes and how often each is resampled.",
        "change_signs", "onset_signs", "onset_resamples", key=True)  # fmt: skip
    n_units = count("Number of units, in order of the size of their change, or of their mean level.", key=True)
    draw = count("Number of the draw.", key=True)
    pattern = words("One sign (p, n) or one number per unit.")


RELEASED: Mapping[str, type[dy.Schema]] = {
    "analyses": Analyses, "stretches": Stretches, "splits": Splits, "levels": Levels, "sensors": Sensors,
    "landings": Landings, "angles": Angles, "strike_changes": StrikeChanges, "raters": Raters, "sections": Sections,
    "factors": ReleasedFactors, "shared_errors": SharedErrors, "athletes": SharedOfAthletes, "draws": Draws,
}  # fmt: skip

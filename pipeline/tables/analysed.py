"""What the regressions say: responses, drift, pacing, the season, surfaces and shoes, the self-check."""

from __future__ import annotations

from pipeline.core.quality_rules import SUSPICIONS
from pipeline.core.speed_sources import SPEED_SOURCES
from pipeline.tables.columns import count, dy, identifier, interval, measure, share, words
from pipeline.tables.observed import EVENT_KINDS

FINDINGS = ("rises", "falls", "changes_late", "holds", "unclear", "too_little_data")
#: Those of them that a person is told in other words.
FINDING_WORDS = {
    "changes_late": "changes late",
    "holds": "steady",
    "unclear": "cannot tell yet",
    "too_little_data": "too few runs",
}
#: Kinds of the reasons for a finding, in the order in which they are given.
REASONS = (
    "excluded", "left_out", "few_runs", "collinear", "depends_on_speed", "break_may_be_none", "late_is_missing",
    "adds_up", "no_scatter", "lopsided", "chance", "wide", "unlike_club", "runs_differ",
)  # fmt: skip
#: How the drift of a run compares with what the athlete's other runs lead one to expect.
COMPARISONS = ("as_usual", "more", "less", "cannot_tell")
CALIBRATION_TESTS = ("reversed", "shuffled", "planted")
CALIBRATION_QUESTIONS = ("called", "called_wrong_way", "holds", "excludes_zero", "covers")


#: Before and after which runs are compared.
EVENTS = (*EVENT_KINDS, "new_shoe", "complaint", "year")
#: What runs are contrasted in, besides tags of their owner.
CONTRAST_FACTORS = ("surface", "shoe", "ride")

# One column per statement, its text on lines of its own: read as a table, not as calls.
# fmt: off


class Responses(dy.Schema):
    """An athlete, a metric and a cause: how the metric responds to it, from this athlete's runs alone; in a club with
    256 runs or more, from those before the day up to which the club's responses are drawn.
    """

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    cause = words("What varies inside runs.", "speed", "speed_squared", "slope", "slope_squared", "warm_up", key=True)
    speed_source = words("Where most of the splits have their speed from, as in runs: what speed_error_pct is of; null "
        "where speed is taken as exact, and for the other causes.", among=SPEED_SOURCES, nullable=True)
    speed_error_pct = measure("%", 2,
        "Error of a kilometre's speed (standard deviation) that the response to speed is given for; 0 where speed is "
        "taken as exact, and for the other causes.", key=True, nullable=False, smallest=0)
    response = measure("change of log(metric) per unit of cause", 6,
        "Units of the causes: log(speed / reference_speed_m_s) and its square, slope [%] and slope squared [%²], for "
        "the warm-up the share of its effect at the start that is left.",
        nullable=False)
    standard_error = measure("as response", 6,
        "From leaving out one run at a time; for speed that is not exact, from the likelihood.",
        nullable=False, smallest=0)
    log_likelihood = measure("natural logarithm", 6,
        "How well the runs agree with an error of this size, up to a constant; null where speed is taken as exact.")


class RunDrift(dy.Schema):
    """A run and a metric: the change along this one run."""

    run_id = identifier("The run.", key=True)
    athlete_id = identifier("The athlete.")
    metric = words("Name of the metric's column in splits.", key=True)
    n_splits = count("Splits that entered.")
    fresh_level = measure("of the metric", 4,
        "Level of this run at the athlete's reference speed, on the level, at the beginning, by the athlete's "
        "responses and drift.", smallest=0)
    raw_pct_per_10km = measure("% per 10 km", 3, "Slope over distance of the logarithm, nothing adjusted.")
    drift_pct_per_10km = measure("% per 10 km", 3,
        "The same at equal speed and slope, with the athlete's own responses to both.")
    drift_low, drift_high = interval("% per 10 km", 3, "Lower end of the 95 % interval of drift_pct_per_10km.")
    onset_km = measure("km", 2,
        "Where the change begins within this run: given where at least 18 splits entered, a broken line beats a "
        "straight one and becomes steeper, and no smooth curve fits about as well; not corrected for the number of "
        "runs.", smallest=0)
    onset_low, onset_high = interval("km", 2,
        "Lower end of its 95 % interval; blocks of three splits are its unit, of two or three in runs of fewer than "
        "21.", smallest=0)
    within_run_se_pct_per_10km = measure("% per 10 km", 4,
        "Standard error of drift_pct_per_10km from the scatter of this run's splits.", smallest=0)
    response_se_pct_per_10km = measure("% per 10 km", 4,
        "Standard error that the uncertainty of the athlete's responses adds; runs have it in common, so that a mean "
        "over runs does not lose it.", smallest=0)


class AthleteDrift(dy.Schema):
    """An athlete and a metric: how it changes as the distance adds up, over all runs."""

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    n_runs = count("Runs that entered.")
    n_splits = count("Splits that entered.")
    fresh_level = measure("of the metric", 4,
        "Level at the reference speed, on the level, at the beginning of a run.", smallest=0)
    reference_speed_m_s = measure("m/s", 3, "The athlete's own median speed over the splits that entered.", smallest=0)
    raw_pct_per_10km = measure("% of fresh level per 10 km", 3, "Change with distance, nothing adjusted.")
    drift_pct_per_10km = measure("% of fresh level per 10 km", 3,
        "Change with distance at equal speed and slope, as a mean over the runs of this season; no claim about others.")
    drift_low, drift_high = interval("% of fresh level per 10 km", 3,
        "Lower end of the 95 % interval of drift_pct_per_10km; whole runs are its unit.")
    p_value = share("probability", 6, "Of a drift at least this far from zero if there were none.")
    q_value = share("probability", 6,
        "p_value corrected over all athletes and the metrics of a family (Benjamini and Hochberg 1995). Families: form "
        "as it is measured; what follows from it by arithmetic; heart rate.")
    speed_part_pct = measure("% of fresh level per 10 km", 3,
        "Part of raw_pct_per_10km that the response to speed passes on.")
    slope_part_pct = measure("% of fresh level per 10 km", 3,
        "Part of it that the response to slope passes on; in logarithms the two parts and the drift add up to raw.")
    collinearity = share("share", 3,
        "Share of the distance inside runs that speed and slope explain; near 1 their effects cannot be told apart.")
    speed_reliability = share("share", 3,
        "Share of the variance of log speed inside runs, at equal distance and slope, that is no error of measurement; "
        "null where the response to speed is not corrected.")
    tipping_reliability = share("share", 3,
        "speed_reliability at which a rise or fall would no longer be certain; null where there is none from 0 to 1.")
    response_to_speed = measure("change of log(metric) per unit of log(speed / reference_speed_m_s)", 6,
        "What the drift was adjusted with, the club's knowledge included; null where speed hardly varied inside runs.")
    response_to_speed_shared_se = measure("as response_to_speed", 6,
        "The part of its standard error that the athletes of a club have in common: how wrong speed was, and the mean "
        "response that they are shrunk towards. A mean over athletes does not lose it; null where speed is taken as "
        "exact.", smallest=0)
    response_to_speed_squared = measure("change of log(metric) per unit of the square of that", 6,
        "The same for the curve; null where there is none.")
    response_to_slope = measure("change of log(metric) per % of slope", 6,
        "The same for slope_pct; null where it hardly varied inside runs.")
    response_to_slope_squared = measure("change of log(metric) per %² of slope_squared_pct2", 6,
        "The same for hills up and down; null where they hardly varied inside runs.")
    response_to_pace_variance = measure("change of log(metric) per unit of log_speed_variance", 6,
        "The same for pace that was mixed inside splits; null where it hardly was.")
    response_to_warm_up = measure("log(metric)", 6,
        "How far off the logarithm of the metric was at the start of runs; dies out as exp(-distance / 2 km). Null "
        "where the settings expect no warm-up.")
    responses_covariance = words(
        "Covariance of these responses: a JSON object that has, for each of them, its covariances with the ones before "
        "it and its variance. Null where there are none.", nullable=True)
    smallest_change_pct = measure("% of fresh level per 10 km", 2,
        "Smallest change of interest, from the settings.", smallest=0)
    onset_km = measure("km", 2,
        "Where the change begins: given for rises, falls and changes_late, where a broken line beats a straight one "
        "and becomes steeper, and no smooth curve fits about as well.", smallest=0)
    onset_low, onset_high = interval("km", 2, "Lower end of its 95 % interval; whole runs are its unit.", smallest=0)
    drift_before_onset_pct = measure("% of fresh level per 10 km", 3,
        "Change with distance up to onset_km, at equal speed and slope.")
    drift_after_onset_pct = measure("% of fresh level per 10 km", 3,
        "Change with distance beyond onset_km, at equal speed and slope.")
    smallest_change_at_usual_distance_pct = measure("% of fresh level", 2,
        "Smallest change of interest over the usual distance, from the settings.", smallest=0)
    detectable_pct = measure("% per 10 km", 3,
        "Minimum detectable change: the smallest drift that runs like these show in four of five such seasons.",
        smallest=0)
    detectable_at_best_pct = measure("% per 10 km", 3,
        "What detectable_pct comes down to with ever more runs like these, as far as they tell: how large the error of "
        "speed is stays open where every run slows down alike. With few runs rather too small.", smallest=0)
    usual_distance_km = measure("km", 2,
        "Distance that a quarter of the runs that entered reach: the athlete's usual long distance.", smallest=0)
    change_at_usual_distance_pct = measure("% of fresh level", 3,
        "Change from the start of a run to the usual distance at equal speed and slope: along the line that breaks "
        "where a break stands out, the mean of that and of the straight line where it only may be there, else along "
        "the straight one.")
    change_at_usual_distance_low, change_at_usual_distance_high = interval("% of fresh level", 3,
        "Lower end of its 95 % interval.")
    excluded_early_share = share("share", 3,
        "Share of the whole splits past the warm-up in the first half of the usual distance that did not enter, being "
        "partly walked or without the reading, in the runs that entered.")
    excluded_late_share = share("share", 3,
        "The same in the second half; where it is larger by more than the setting, no metric is said to hold.")
    repeatability = measure("intraclass correlation", 3,
        "How alike single runs' drifts are in this athlete, compared with how athletes differ; null with fewer than "
        "three athletes or runs.", smallest=-1, largest=1)
    repeatability_low, repeatability_high = interval("intraclass correlation", 3,
        "Lower end of its 95 % interval.", smallest=-1, largest=1)
    finding = words(
        "The conclusion. holds: the intervals of the drift and of the change at the usual distance, straight or "
        "broken, lie inside the smallest changes of interest; rises, falls: they do not, and q_value is at most 0.05; "
        "changes_late: a break stands out, and by the usual distance there is a change.", *FINDINGS)
    reason = words(
        "Why the finding is no more than it is, or how not to read it; null where nothing needs saying.", nullable=True)
    reasons = words(
        "The same as data: a JSON list of objects, each with its `kind` and its numbers; null where nothing needs "
        f"saying. Kinds: {', '.join(REASONS)}.", nullable=True)
    suspicion = words(
        "What the readings of the metric are suspected of in runs where most of them were excluded, from `quality`; "
        "null where there is no such run.", *SUSPICIONS, nullable=True)


class Pacing(dy.Schema):
    """An athlete: how speed itself changes along runs, what that change is made of, and how walking changes.

    Nothing is adjusted: hills, plans and fatigue are all in it.
    """

    athlete_id = identifier("The athlete.", key=True)
    n_runs = count("Runs that entered for speed: those with cadence, where enough have it.")
    n_splits = count("Splits of these runs that entered, as for drift: whole, run, past the warm-up.")
    speed_pct_per_10km = measure("% per 10 km", 3,
        "Change of speed along runs, pooled over runs; null where too few entered.")
    speed_low, speed_high = interval("% per 10 km", 3,
        "Lower end of its 95 % interval: whole runs left out one at a time, t with n_runs - 1.")
    cadence_part_pct = measure("% per 10 km", 3,
        "Change of cadence along the same splits with the same weights; null where too few have it.")
    cadence_part_low, cadence_part_high = interval("% per 10 km", 3, "Lower end of its 95 % interval, found likewise.")
    step_length_part_pct = measure("% per 10 km", 3,
        "Change of step length likewise; in logarithms the two parts add up to the change of speed exactly.")
    step_length_part_low, step_length_part_high = interval("% per 10 km", 3,
        "Lower end of its 95 % interval, found likewise.")
    n_walked_splits = count(
        "Whole splits past the warm-up that did not enter for speed because they were partly walked.")
    walk_points_per_10km = measure("percentage points per 10 km", 3,
        "Change of the share of moving time walked, over whole splits past the warm-up, partly walked ones included.")
    walk_low, walk_high = interval("percentage points per 10 km", 3,
        "Lower end of its 95 % interval, whole runs left out one at a time; null where nothing was walked.")


class SingleRuns(dy.Schema):
    """A run and a metric of an athlete with too few runs for a drift: the change along this one run.

    Nothing is adjusted: pace, hills and whatever else happened that day are in it.
    """

    run_id = identifier("The run.", key=True)
    athlete_id = identifier("The athlete.")
    metric = words("Name of the metric's column in splits.", key=True)
    n_splits = count("Splits that entered, as for drift: whole, run, past the warm-up.")
    unadjusted_pct_per_10km = measure("% per 10 km", 3, "Slope over distance of the logarithm, nothing adjusted.",
        nullable=False)
    unadjusted_low, unadjusted_high = interval("% per 10 km", 3,
        "Lower end of its 95 % interval; errors of neighbouring kilometres may be alike. It is about this run: another "
        "run of the athlete may differ by more.")


class SeasonTrend(dy.Schema):
    """An athlete, a metric and a month."""

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    month = words("Calendar month in UTC, YYYY-MM.", key=True)
    drift_pct_per_10km = measure("% per 10 km", 3,
        "Mean of the runs' own drifts, weighted by their precision, their scatter beyond their own errors included.",
        nullable=False)
    drift_low, drift_high = interval("% per 10 km", 3,
        "Lower end of its 95 % interval (Student's t), from how runs scatter within the athlete's months, or over the "
        "whole season where months have too few runs; null where one run is all there is.")
    n_runs = count("Runs of that month that entered.", smallest=1)


class SeasonSlope(dy.Schema):
    """An athlete and a metric: whether the drift itself changes over the months."""

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    n_runs = count("Runs that entered: those whose drift has an error of its own.", smallest=1)
    first_month = words("Month of the first of these runs in UTC, YYYY-MM.")
    last_month = words("Month of the last of these runs in UTC, YYYY-MM.")
    change_pct_per_10km_per_month = measure("% per 10 km per month", 3,
        "Slope of a line through the runs' drifts over their dates, a month being 30.44 days (random-effects "
        "meta-regression with runs that follow each other alike); null where the runs span fewer than 60 days or are "
        "fewer than 6.")
    change_low, change_high = interval("% per 10 km per month", 3,
        "Lower end of its 95 % interval, which holds how alike runs that follow each other may be.")
    median_change_pct_per_10km_per_month = measure("% per 10 km per month", 3,
        "Median of the slopes between every two of these runs (Theil and Sen), which no single odd run moves; where it "
        "is far from the slope above, few runs decide.")
    p_value = share("probability", 6,
        "Of a change at least this far from zero if there were none; not corrected for the number of rows.")
    first_drift_pct_per_10km = measure("% per 10 km", 3,
        "Drift by that line at the first run: where the last one is nearer to zero, drift shrank.")
    last_drift_pct_per_10km = measure("% per 10 km", 3, "Drift by that line at the last run.")
    between_runs_sd_pct_per_10km = measure("% per 10 km", 3,
        "Standard deviation of the runs' true drifts about that line, beyond their own errors.", smallest=0)


class Contrasts(dy.Schema):
    """An athlete, a metric and a surface, shoe or tag, against that of most runs; or runs off the bike.

    Intervals are not corrected for the number of rows.
    """

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    factor = words(
        "What the runs differ in: surface or shoe of sessions.csv, ride (whether one came before), or the name of a "
        "tag of corrections.toml.", key=True)
    compared = words(
        "Surface, shoe_id or tag of the runs that are compared, or after_ride; only with at least three runs.",
        key=True)
    reference = words(
        "That of most runs, the first in the alphabet of several with as many; for after_ride always from_rest.")
    n_runs = count("Runs with the compared one that entered for the metric.", smallest=3)
    n_runs_reference = count("Runs with the reference.", smallest=3)
    difference_pct = measure("%", 3,
        "Mean level of the compared runs over that of the reference runs, at equal speed, slope and distance.")
    low, high = interval("%", 3,
        "Lower end of its 95 % interval: Welch's over runs, widened by the uncertainty of the responses and the drift.")
    drift_difference_pct_per_10km = measure("% per 10 km", 3,
        "Drift of the compared runs less that of the reference runs (random-effects meta-regression).")
    drift_difference_low, drift_difference_high = interval("% per 10 km", 3,
        "Lower end of its 95 % interval (Knapp and Hartung 2003).")
    note = words("How not to read it.")


class BeforeAfter(dy.Schema):
    """An athlete, a metric and an event: the runs of the eight weeks after it against those of the eight before.

    Intervals are not corrected for the number of rows.
    """

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    event = count("Number of the event among those of the athlete, by date.", key=True, smallest=1)
    date = words("Its day, YYYY-MM-DD; runs of that day are after it.")
    kind = words(
        "A kind of events.csv; new_shoe: the first run in a shoe of sessions.csv; complaint: the first day of one; "
        "year: all runs of a year against those of the year before.", *EVENTS)
    name = words("The note of events.csv, the shoe, the site of the complaint, the year.", nullable=True)
    n_runs_before = count("Runs before it that entered for the metric.", smallest=3)
    n_runs_after = count("Runs from its day on.", smallest=3)
    level_before = measure("of the metric", 4,
        "Geometric mean of fresh_level of run_drift over the runs before: at the reference speed, on the level, at the "
        "beginning of a run.", nullable=False, smallest=0)
    level_after = measure("of the metric", 4, "The same over the runs after.", nullable=False, smallest=0)
    difference_pct = measure("%", 3, "level_after over level_before.")
    low, high = interval("%", 3, "Lower end of its 95 % interval, as in contrasts.")
    drift_difference_pct_per_10km = measure("% per 10 km", 3,
        "Drift of the runs after less that of the runs before, as in contrasts.")
    drift_difference_low, drift_difference_high = interval("% per 10 km", 3,
        "Lower end of its 95 % interval (Knapp and Hartung 2003).")
    n_other_events = count("Other events of the athlete in these weeks; a year is none.")
    note = words("How not to read it.")


class Usual(dy.Schema):
    """An athlete and a metric: the usual level when fresh and at the usual distance; what would settle the finding."""

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    start_level = measure("of the metric", 4,
        "fresh_level of athlete_drift by the line that the finding rests on: the broken one where a break stands out.",
        smallest=0)
    usual_distance_km = measure("km", 2, "As in athlete_drift.", smallest=0)
    level_at_usual_distance = measure("of the metric", 4,
        "start_level, changed by change_at_usual_distance_pct: at the reference speed and on the level. Null where the "
        "line may break at no place that could be given, and its change is another than that of the straight line, "
        "which start_level is of.", smallest=0)
    n_more_runs = count(
        "Further runs like these that would settle the finding: so many that the minimum detectable change falls to "
        "the smallest change of interest, or that there are enough for an estimate. Null for a finding that is "
        "settled, and where more runs of the same kind would not help, since detectable_at_best_pct is not below "
        "smallest_change_pct.",
        nullable=True, smallest=1)


class UsualCourse(dy.Schema):
    """An athlete, a metric and a kilometre: the mean over runs at equal speed and slope, and the line through it."""

    athlete_id = identifier("The athlete.", key=True)
    metric = words("Name of the metric's column in splits.", key=True)
    km = count("Number of the split along the runs, as in splits.", key=True, smallest=1)
    distance_km = measure("km", 3, "The middle of the split.", nullable=False, smallest=0)
    n_runs = count("Runs that have an included split there.", smallest=1)
    start_level = measure("of the metric", 4, "As in usual.", nullable=False, smallest=0)
    level = measure("of the metric", 4,
        "start_level, changed by change_pct: what the metric usually is there at the reference speed, on the level.",
        nullable=False, smallest=0)
    change_pct = measure("%", 3,
        "Mean over runs of the change from each run's own level when fresh, at equal speed and slope.", nullable=False)
    change_low, change_high = interval("%", 3,
        "Lower end of its 95 % interval (Student's t over runs); null with fewer than 3 runs. The uncertainty of the "
        "responses is not in it.")
    line_pct = measure("%", 3,
        "Change from the start along the line of athlete_drift: broken where onset_km is given, else straight.",
        nullable=False)
    run_low, run_high = interval("%", 3,
        "Lower end of the interval about line_pct in which 95 % of the kilometres of single runs lie, relative to "
        "start_level, so that runs also differ by their level; how they scatter is pooled over the kilometres. Null "
        "with fewer than 3 runs.")


class RunAgainstUsual(dy.Schema):
    """A run and a metric: its drift next to what the athlete's other runs lead one to expect."""

    run_id = identifier("The run.", key=True)
    athlete_id = identifier("The athlete.")
    metric = words("Name of the metric's column in splits.", key=True)
    drift_pct_per_10km = measure("% per 10 km", 3, "As in run_drift.", nullable=False)
    n_other_runs = count("The athlete's other runs with a drift of this metric.")
    usual_pct_per_10km = measure("% per 10 km", 3,
        "Mean drift of the other runs (random-effects meta-analysis); null with fewer than 4.")
    usual_low, usual_high = interval("% per 10 km", 3,
        "Lower end of the 95 % interval in which the drift of such a run lies if it is as usual: the variance between "
        "runs and this run's own error are in it.")
    comparison = words(
        "as_usual: inside that interval; more, less: outside, with more or less change than usual; cannot_tell: too "
        "few other runs, or the interval leaves room for twice the smallest change of interest.", *COMPARISONS)


class Calibration(dy.Schema):
    """A test, a planted drift, a metric and a question: how often the answer was yes in the club's own remainders.

    Made by `splitdrift calibrate`; empty until then and after every refresh.
    """

    test = words(
        "What was done to what the model leaves unexplained. reversed: whole runs turned round at random; shuffled: "
        "blocks of three kilometres put into a random order inside runs; planted: reversed, and a drift added.",
        *CALIBRATION_TESTS, key=True)
    planted_pct_per_10km = measure("% per 10 km", 1, "Drift that was added; 0 for a placebo.", key=True, nullable=False)
    metric = words("Name of the metric's column in splits; all for every metric together.", key=True)
    question = words(
        "What was asked of each athlete, metric and draw. called: finding rises or falls, the right way where a drift "
        "was planted; called_wrong_way: the other way; holds: finding holds, which is right for drifts inside the "
        "smallest change of interest; excludes_zero: the 95 % interval has no 0 in it; covers: it has the planted "
        "value in it.", *CALIBRATION_QUESTIONS, key=True)
    n_yes = count("How often the answer was yes.")
    n = count("How often it was asked: athletes with an estimate, times draws, times metrics for all.", smallest=1)
    share = share("share of n", 4, "n_yes over n.", nullable=False)
    low, high = interval("share of n", 4,
        "Lower end of the 95 % interval of share (Wilson 1927), as if draws were independent; they share the same "
        "remainders, so that few athletes say less than it suggests.", nullable=False, smallest=0, largest=1)
    n_athletes = count("Athletes behind it.", smallest=1)
    n_runs = count("Their runs that entered.", smallest=1)

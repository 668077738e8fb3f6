"""What was seen of runners at two distances of an event: pairs of landings, each runner once, groups of few people.

What is independent is the runner: one who was filmed in several events counts once, by the share of them with a
rearfoot landing and by the net change over them, and so it is where cells are small. With one event per runner that is
counting landings. A reader with lists of races knows how often a runner was filmed, so that it is part of cells.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.stages.strikes import of_runners
from pipeline.study.material import Material
from pipeline.study.study_file import BOTH_FEET, Analysis
from pipeline.tables.observed import REARFOOT, STRIKES

Counts = npt.NDArray[np.int64]
#: Speed is taken into account by steps of this factor: 10 % faster.
SPEED_STEP = 1.1
#: How finely the slope of a course is taken, and released: finer would name the course [%].
SLOPE_STEP_PCT = 0.5
_EVENT = ["event", "athlete_id"]
#: With the athlete's id it says who a row is of.
_EVENT_OF_GROUP = pl.when(pl.col("n_runners") > 1).then("event").alias("event_of_group")


def pairs(material: Material, analysis: Analysis) -> pl.DataFrame:
    """Runners (or groups) seen at both distances of an event.

    Returns:
        `event`, `athlete_id`, `run_id` (null without one), `n_runners`, `early`, `late` (classes), `early_angle_deg`,
        `late_angle_deg`, `speed_change` (from early to late, log over that of `SPEED_STEP`, to a tenth, as it is
        released: nearer than a kilometre's speed is known, and too coarse to find a runner by; null without speeds),
        `slope_change` (by so much the late kilometre is steeper [%], the median over the event's runners, since the
        course is that of all, to `SLOPE_STEP_PCT`; null without slopes).
    """
    seen = of_runners(_feet(material, analysis))
    early, late = (
        seen.filter(pl.col("distance_km") == distance).select(
            *_EVENT, "run_id", "n_runners", pl.col("strike").alias(name),
            pl.col("angle_deg").alias(f"{name}_angle_deg"), pl.col("speed_m_s").alias(f"{name}_speed"),
            pl.col("slope_pct").alias(f"{name}_slope"),
        )
        for name, distance in zip(("early", "late"), distances(analysis), strict=True)
    )  # fmt: skip
    both = early.join(late.drop("run_id", "n_runners"), on=_EVENT, how="inner").sort(_EVENT)
    change = (pl.col("late_speed") / pl.col("early_speed")).log() / np.log(SPEED_STEP)
    steeper = (pl.col("late_slope") - pl.col("early_slope")).median().over("event")
    return both.with_columns(
        speed_change=change.round(1), slope_change=(steeper / SLOPE_STEP_PCT).round() * SLOPE_STEP_PCT
    ).drop("early_speed", "late_speed", "early_slope", "late_slope")


def by_runner(rows: pl.DataFrame) -> pl.DataFrame:
    """Each runner once. The runners of a group are not known: they are counted at each event, as if of no other.

    Args:
        rows: rows of `pairs`.

    Returns:
        `n_runners` (more than 1 for a group), `n_pairs` (in all events), `early` and `late` (share of these events
        with a rearfoot landing), `change` (1 who came to the rearfoot in more events than they left it in, -1 the other
        way round, 0 else).
    """
    is_early, is_late = (pl.col(name) == REARFOOT for name in ("early", "late"))
    return rows.group_by("athlete_id", _EVENT_OF_GROUP, maintain_order=True).agg(
        pl.col("n_runners").first(),
        n_pairs=pl.col("n_runners").sum(),
        early=is_early.mean(),
        late=is_late.mean(),
        change=(is_late.cast(pl.Int64) - is_early.cast(pl.Int64)).sum().sign(),
    )


def rated_feet(material: Material, analysis: Analysis) -> pl.DataFrame:
    """Feet at either distance with the class that counts, and that by the other rater with most feet (`second`)."""
    feet = _feet(material, analysis).filter(pl.col("distance_km").is_in(distances(analysis)))
    place = [*_EVENT, "distance_km", "foot"]
    others = feet.filter(~pl.col("is_counted"))
    most = others.group_by("rater").len().sort("len", "rater", descending=[True, False]).head(1)
    second = others.join(most, on="rater", how="semi").select(*place, pl.col("strike").alias("second"))
    return feet.filter("is_counted").join(second, on=place, how="inner")


def _feet(material: Material, analysis: Analysis) -> pl.DataFrame:
    rows = material.landings
    return rows if analysis.foot == BOTH_FEET else rows.filter(pl.col("foot") == analysis.foot)


def distances(analysis: Analysis) -> tuple[float, float]:
    """Early and late distance of an analysis [km]."""
    assert analysis.early_km is not None and analysis.late_km is not None  # noqa: PT018
    return analysis.early_km[0], analysis.late_km[0]


def known_pairs(material: Material) -> list[tuple[float, float]]:
    """All two distances at which the same runner was seen in an event [km]."""
    places = material.landings.select(*_EVENT, "distance_km").unique()
    both = places.join(places, on=_EVENT, suffix="_late").filter(pl.col("distance_km") < pl.col("distance_km_late"))
    return both.select("distance_km", "distance_km_late").unique().sort(pl.all()).rows()


def counted(rows: pl.DataFrame, first: str, second: str, classes: tuple[str, ...]) -> Counts:
    """Rows by the class in two columns, groups with all their runners, classes x classes."""
    numbers = dict.fromkeys(((a, b) for a in classes for b in classes), 0)
    for a, b, n in rows.group_by(first, second).agg(pl.col("n_runners").sum()).iter_rows():
        numbers[a, b] = n
    return np.array([[numbers[a, b] for b in classes] for a in classes], dtype=np.int64)


def changes_of(runners: pl.DataFrame) -> tuple[int, int]:
    """Numbers of people who on the whole left the rearfoot, and who came to it."""
    lost, gained = (int(runners.filter(pl.col("change") == way)["n_runners"].sum()) for way in (-1, 1))
    return lost, gained


def is_once_each(runners: pl.DataFrame) -> bool:
    """Whether each runner was filmed in one event."""
    return runners["n_pairs"].equals(runners["n_runners"])


def sums(runners: pl.DataFrame, side: str) -> tuple[float, float]:
    """Sums over people of the share of events with a rearfoot landing, and of its square."""
    weight = pl.col("n_runners")
    return runners.select((weight * pl.col(side)).sum(), square=(weight * pl.col(side) ** 2).sum()).row(0)


def with_angles(rows: pl.DataFrame) -> pl.DataFrame:
    """Of `pairs`, single runners whose angle was measured at both distances: the means over their events."""
    measured = rows.filter(pl.col("n_runners") == 1).drop_nulls(["early_angle_deg", "late_angle_deg"])
    return measured.group_by("athlete_id", maintain_order=True).agg(pl.col("early_angle_deg", "late_angle_deg").mean())


def with_speeds(rows: pl.DataFrame) -> pl.DataFrame | None:
    """Of `pairs`, single runners with speeds who changed, and whether they `gained` the rearfoot; None without any.

    A runner has as many rows as events with a change.
    """
    known = rows.filter(pl.col("n_runners") == 1).drop_nulls("speed_change")
    if known.is_empty():
        return None
    is_early, is_late = (pl.col(name) == REARFOOT for name in ("early", "late"))
    return known.filter(is_early != is_late).with_columns(gained=is_late)


# --- Few people ------------------------------------------------------------------------------------------------------

#: Known from lists of races; of the runners of a group it is 1.
_EVENTS_EACH = (pl.col("n_pairs") // pl.col("n_runners")).alias("events_each")


def _smallest_group(runners: pl.DataFrame, *by: str | pl.Expr) -> int | None:
    """The smallest number of people who are alike."""
    return smallest(*runners.group_by(by).agg(pl.col("n_runners").sum())["n_runners"])


def cell_of_shares(runners: pl.DataFrame) -> int | None:
    """The smallest group that shares give away: of people filmed as often, with the same share early or late."""
    return smallest(*(_smallest_group(runners, _EVENTS_EACH, side) for side in ("early", "late")))


def cell_of_tests(runners: pl.DataFrame, least: int) -> int | None:
    """The smallest group that a test of those who changed gives away, with shares where these are told."""
    are_shares_told = is_told(cell_of_shares(runners), least)
    return cell_of_all(runners) if are_shares_told else _smallest_group(runners, "change")


def cell_of_all(runners: pl.DataFrame) -> int | None:
    """The smallest group that shares and tests together give away.

    Where a runner lands alike in all events at a distance, who stayed and who changed there follow from both.
    """
    alike = [side for side in ("early", "late") if runners[side].is_in([0.0, 1.0]).all()]
    crossed = [_smallest_group(runners, _EVENTS_EACH, side, "change") for side in alike]
    return smallest(cell_of_shares(runners), _smallest_group(runners, "change"), *crossed)


def cell_of_angles(rows: pl.DataFrame, measured: pl.DataFrame) -> int | None:
    """The smallest group that angles give away, or the lack of them: an angle tells the class.

    Args:
        rows: rows of `pairs`.
        measured: rows of `with_angles`.
    """
    others = rows.join(measured, on="athlete_id", how="anti")
    classes = counted(others, "early", "late", STRIKES)
    return smallest(measured.height, cell_of_all(by_runner(rows)), cell_of_all(by_runner(others)), *classes.ravel())


def cell_of_changes(runners: pl.DataFrame, changed: pl.DataFrame, *given: str) -> int | None:
    """The smallest group that rows of `with_speeds` give away.

    It is of people with the same change and as many rows each way; who has none follows from the numbers of those who
    changed.

    Args:
        runners: rows of `by_runner`.
        changed: rows of `with_speeds`.
        given: columns that tell of which event a row is.
    """
    parts = ("gained", *given)
    rows = changed.select("athlete_id", row=pl.concat_str(parts, separator=" ", ignore_nulls=True))
    of_runner = rows.group_by("athlete_id").agg(rows=pl.col("row").sort().str.join(", "))
    return _smallest_group(runners.join(of_runner, on="athlete_id", how="left"), "change", "rows")


def cell_of_raters(feet: pl.DataFrame) -> int | None:
    """The smallest number of people whose feet two raters classed so."""
    people = feet.group_by("strike", "second", "athlete_id", _EVENT_OF_GROUP).agg(pl.col("n_runners").first())
    return smallest(*people.group_by("strike", "second").agg(pl.col("n_runners").sum())["n_runners"])


def smallest(*counts: int | None) -> int | None:
    """The smallest count that is not zero."""
    return min((int(count) for count in counts if count), default=None)


def is_told(cell: int | None, least: int) -> bool:
    """Whether what gives away a group of so many people may be passed on."""
    return cell is None or cell >= least

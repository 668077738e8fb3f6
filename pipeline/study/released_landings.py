"""What an analysis of landings took, as it may be passed on."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.study.landing_pairs import (
    Counts,
    by_runner,
    cell_of_angles,
    cell_of_changes,
    cell_of_raters,
    cell_of_shares,
    cell_of_tests,
    changes_of,
    counted,
    is_once_each,
    is_told,
    pairs,
    rated_feet,
    smallest,
    sums,
    with_angles,
    with_speeds,
)
from pipeline.study.material import Material
from pipeline.study.study_file import Analysis
from pipeline.tables.observed import LANDINGS, REARFOOT, STRIKES


def released_landings(material: Material, analysis: Analysis, *, least: int) -> dict[str, pl.DataFrame]:
    """What an analysis took, as it may be passed on: `landings`, `angles`, `strike_changes` and `raters`.

    Rows of runners are given where no group that they tell of, or that their absence tells of, is smaller than `least`.
    """
    rows, feet = pairs(material, analysis), rated_feet(material, analysis)
    runners, angles = by_runner(rows), with_angles(rows)
    is_of_few = not is_told(cell_of_angles(rows, angles), least)
    return {
        "landings": released_table(rows, least),
        "angles": angles.clear() if is_of_few else angles.select(
            "athlete_id", *(pl.col(f"{name}_angle_deg").round_sig_figs(12).alias(name) for name in ("early", "late"))
        ),
        "strike_changes": _released_changes(rows, runners, least),
        "raters": _released_raters(feet, least),
    }  # fmt: skip


def _released_changes(rows: pl.DataFrame, runners: pl.DataFrame, least: int) -> pl.DataFrame:
    """Who changed, with speeds, and with slopes where enough people have them."""
    changes = with_speeds(rows)
    if changes is None:
        return pl.DataFrame()
    if not is_told(smallest(cell_of_tests(runners, least), cell_of_changes(runners, changes)), least):
        return pl.DataFrame()
    has_slopes = is_told(cell_of_changes(runners, changes, "slope_change"), least)
    return changes.select(
        "athlete_id",
        pl.format("{} {}", "event", "athlete_id").alias("run_id"),
        "gained",
        "speed_change",
        slope_change=pl.when(pl.lit(has_slopes)).then("slope_change"),
    )


def _released_raters(feet: pl.DataFrame, least: int) -> pl.DataFrame:
    """Numbers of feet by both raters' classes."""
    table = counted(feet, "strike", "second", LANDINGS)
    agreed = [(a, b, int(table[i, j])) for i, a in enumerate(LANDINGS) for j, b in enumerate(LANDINGS)]
    is_given = table.any() and is_told(cell_of_raters(feet), least)
    schema = {"first": pl.String, "second": pl.String, "feet": pl.Int64}
    return pl.DataFrame(agreed if is_given else [], schema=schema, orient="row")


def released_table(rows: pl.DataFrame, least: int) -> pl.DataFrame:
    """As much of how runners landed as holds no group of few people.

    Of runners who were filmed once each: the cross-table of all classes, else of rearfoot against other; where neither
    may be given, or some were filmed in several events, the numbers at each distance, and who changed.

    Args:
        rows: rows of `pairs`.

    Returns:
        `early`, `late` (empty for numbers at one distance; `sometimes` is rearfoot in some of several events),
        `runners`, `pairs`, `share_sum` and `square_sum` (of those who landed so sometimes); no rows where nothing may
        be given.
    """
    runners, names = by_runner(rows), (REARFOOT, "other")
    are_shares_told, are_tests_told = (
        is_told(cell, least) for cell in (cell_of_shares(runners), cell_of_tests(runners, least))
    )
    if are_shares_told and are_tests_told and is_once_each(runners):
        table = counted(rows, "early", "late", STRIKES)
        if is_told(smallest(*table.ravel()), least):
            given = [(a, b, int(table[i, j])) for i, a in enumerate(STRIKES) for j, b in enumerate(STRIKES)]
        else:
            two = of_two(table)
            given = [(a, b, int(two[i, j])) for i, a in enumerate(names) for j, b in enumerate(names)]
        lines: list[tuple[object, ...]] = [(a, b, n, n, None, None) for a, b, n in given]
    else:
        lost, gained = changes_of(runners)
        lines = [*_at_each_distance(runners)] if are_shares_told else []
        if are_tests_told:
            lines += [(REARFOOT, "other", lost, None, None, None), ("other", REARFOOT, gained, None, None, None)]
    return pl.DataFrame(lines, schema=_RELEASED_TABLE, orient="row")


_RELEASED_TABLE = {
    "early": pl.String, "late": pl.String, "runners": pl.Int64, "pairs": pl.Int64, "share_sum": pl.Float64,
    "square_sum": pl.Float64,
}  # fmt: skip


def _at_each_distance(runners: pl.DataFrame) -> Iterator[tuple[object, ...]]:
    """Rows of `released_table`: how many landed on the rearfoot always, sometimes and never, by distance."""
    for side in ("early", "late"):
        for share, name in ((1.0, REARFOOT), (None, "sometimes"), (0.0, "other")):
            of = runners.filter(
                pl.col(side).is_between(0, 1, closed="none") if share is None else pl.col(side) == share
            )
            if name == "sometimes" and of.is_empty():
                continue
            n, n_pairs = of.select(pl.col("n_runners", "n_pairs").sum()).row(0)
            totals = [float(f"{total:.12g}") for total in sums(of, side)] if name == "sometimes" else [None, None]
            yield (name, "", n, n_pairs, *totals) if side == "early" else ("", name, n, n_pairs, *totals)


def of_two(table: Counts) -> Counts:
    """The cross-table with rearfoot against all others."""
    rear, early, late = table[0, 0], table[0].sum(), table[:, 0].sum()
    return np.array([[rear, early - rear], [late - rear, table.sum() - early - late + rear]])

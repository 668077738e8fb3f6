"""The tables, one class each: the only place where a column's type, unit, range and meaning are written.

Validation, rounding at publication, Parquet metadata, DuckDB comments and the dictionary all come from here.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from functools import cache
from math import isnan
from typing import Any

import polars as pl

from pipeline.core.errors import BrokenPromise, UsageError
from pipeline.core.metrics import BUILT_IN, Metric, Registry
from pipeline.tables.analysed import (
    AthleteDrift,
    BeforeAfter,
    Calibration,
    Contrasts,
    Pacing,
    Responses,
    RunAgainstUsual,
    RunDrift,
    SeasonSlope,
    SeasonTrend,
    SingleRuns,
    Usual,
    UsualCourse,
)
from pipeline.tables.columns import dy, like, measure, share, wider
from pipeline.tables.observed import Complaints, Events, Landings, Roster, Sessions, Shoes, StrikeCounts, StrikeShift
from pipeline.tables.recorded import (
    Corrections,
    Exclusions,
    LapSplits,
    Quality,
    Recordings,
    Runs,
    Samples,
    Splits,
    quantity_column,
)

TABLES: Mapping[str, type[dy.Schema]] = {
    "recordings": Recordings,
    "corrections": Corrections,
    "runs": Runs,
    "samples": Samples,
    "exclusions": Exclusions,
    "quality": Quality,
    "splits": Splits,
    "lap_splits": LapSplits,
    "responses": Responses,
    "run_drift": RunDrift,
    "athlete_drift": AthleteDrift,
    "pacing": Pacing,
    "single_runs": SingleRuns,
    "contrasts": Contrasts,
    "before_after": BeforeAfter,
    "season_trend": SeasonTrend,
    "season_slope": SeasonSlope,
    "usual": Usual,
    "usual_course": UsualCourse,
    "run_against_usual": RunAgainstUsual,
    "complaints": Complaints,
    "roster": Roster,
    "shoes": Shoes,
    "sessions": Sessions,
    "events": Events,
    "landings": Landings,
    "strike_counts": StrikeCounts,
    "strike_shift": StrikeShift,
    "calibration": Calibration,
}

#: Tables too large for one file: by athlete and month.
PARTITIONED = ("samples", "splits", "lap_splits")
#: Tables with more for each metric of one's own: columns, and in `quality` rows.
WITH_OWN = (*PARTITIONED, "quality")


def schema_of(table: str, registry: Registry = BUILT_IN) -> type[dy.Schema]:
    """The class of a table, with the columns of the metrics of one's own."""
    return _with_own(table, registry.own) if registry.own and table in WITH_OWN else TABLES[table]


@cache
def _with_own(table: str, own: tuple[Metric, ...]) -> type[dy.Schema]:
    if table == "quality":
        return like(TABLES[table], TABLES[table].__name__, meaning=meaning_of(table),
                    quantity=("quantity", quantity_column(metric.column for metric in own)))  # fmt: skip
    columns: dict[str, dy.Column] = {}
    for metric in own:
        what = f"{metric.meaning}; null when missing or outside of the range that settings.toml gives."
        if table == "samples":
            columns[metric.column] = measure(metric.unit, metric.decimals + 2, what, smallest=0)
        else:
            columns[metric.column] = measure(
                metric.unit, metric.decimals + 2, f"Time-weighted mean over running samples that have it. {what}",
                smallest=0,
            )  # fmt: skip
            columns[metric.share_column] = share(
                "share of running time", 4, f"Share of running_s with {metric.column}; null without running."
            )
    return wider(TABLES[table], columns)


def require_free_columns(registry: Registry) -> None:
    """Refuse a metric of one's own with the name of a column that is there already.

    Raises:
        UsageError: it clashes.
    """
    taken = {column for table in (*WITH_OWN, "runs") for column in TABLES[table].column_names()}
    for metric in registry.own:
        for column in (metric.column, metric.share_column):
            if column in taken:
                raise UsageError(
                    f"settings.toml: [metrics.{metric.column}] makes a column {column}, which the tables have already; "
                    "expected another name."
                )
            taken.add(column)


@cache
def columns_of(table: str, registry: Registry) -> Mapping[str, dy.Column]:
    """The columns of a table; its class gathers them anew for each who asks."""
    return schema_of(table, registry).columns()


@cache
def key_of(table: str) -> Sequence[str]:
    """The columns that identify a row of a table."""
    return TABLES[table].primary_key()


def publishable(table: str, frame: pl.DataFrame, *, subject: str, registry: Registry = BUILT_IN) -> pl.DataFrame:
    """Bring a stage's rows into the form in which they are published: columns, types, rounding, order, rules.

    Rounding belongs here because sums of floats differ in their last digits between two equal runs on several cores.

    Args:
        frame: at least the columns of the table; absent nullable ones are added as null.
        subject: whose rows they are, for the error.
        registry: the quantities in force.

    Raises:
        BrokenPromise: a rule of the table is broken, or a column that must not be null is absent.
    """
    names = frozenset(frame.columns)
    missing = [
        name for name, column in columns_of(table, registry).items() if name not in names and not column.nullable
    ]
    if missing:
        raise BrokenPromise(f"{subject}: stage output for table {table} lacks the columns {missing}.")
    # Most devices lack some sensor: a column without values is made anew instead of being rounded.
    given = {values.name for values in frame.get_columns() if values.null_count() < frame.height}
    # A sum is no number where an addend is none.
    has_nan = any(values.dtype.is_float() and isnan(values.sum()) for values in frame.get_columns())
    shaped = _shaped(table, registry, has_nan=has_nan)
    rounded = frame.select_seq(made if name in given else absent for name, (made, absent) in shaped.items())
    if rounded.is_empty() or _keeps_rules(rounded, table, registry):
        return rounded
    valid, broken = schema_of(table, registry).filter(rounded)
    if counts := broken.counts():
        rules = "; ".join(f"{rule.replace('|', ' ')} ({n} rows)" for rule, n in counts.items())
        raise BrokenPromise(f"{subject}: rows for table {table} break a rule of the table: {rules}.")
    return pl.DataFrame(valid).sort(key_of(table))


@cache
def _shaped(table: str, registry: Registry, *, has_nan: bool) -> dict[str, tuple[pl.Expr, pl.Expr]]:
    """Each column of a table, made of that of a frame, and without values; one that may not be null only the first way.

    Making the expressions takes longer than what few rows take, and two thirds of planning them go to what makes null
    of no number.
    """
    shaped = {}
    for name, column in columns_of(table, registry).items():
        values = pl.col(name).cast(column.dtype)
        if (decimals := decimals_of(column)) is not None:
            values = (values.fill_nan(None) if has_nan else values).round(decimals)
            # Rounding leaves a negative zero of small negative numbers, which CSV shows; Polars adds no zero to it.
            values = pl.when(values == 0).then(0.0).otherwise(values)
        made = values.alias(name)
        shaped[name] = made, pl.lit(None).cast(column.dtype).alias(name) if column.nullable else made
    return shaped


def _keeps_rules(rows: pl.DataFrame, table: str, registry: Registry) -> bool:
    """Whether shaped rows keep each rule of the table, and are in order of its key already, as they mostly are.

    This takes a twentieth of the time of checking by the table's class, testing the key for uniqueness and sorting.
    Where it does not hold, the class says which rule is broken, if any.
    """
    limits, rules = _rules(table, registry)
    for name, is_nullable, low, high in limits:
        values = rows[name]
        if not is_nullable and values.null_count():
            return False
        if low is not None and values.null_count() < len(values):
            smallest: Any = values.min()
            largest: Any = values.max()
            if smallest < low or largest > high:
                return False
    return (not rules or all(rows.select_seq(rules).row(0))) and ascends(rows, key_of(table))


#: A column, whether it may be null, and the smallest and the largest value that it may have; None for no number.
_Limits = tuple[str, bool, float | None, float]
_LARGEST = sys.float_info.max


@cache
def _rules(table: str, registry: Registry) -> tuple[list[_Limits], list[pl.Expr]]:
    """What the smallest and the largest value of a column tell, and the other rules of a table.

    To plan an expression for each rule would take longer than they take.
    """
    limits: list[_Limits] = []
    rules: list[pl.Expr] = []
    for name, column in columns_of(table, registry).items():
        of_limits, low, high = {"nullability"}, None, _LARGEST
        if isinstance(column, dy.Float64 | dy.Int64):
            of_limits |= {"min", "max", "inf"}
            if decimals_of(column) is not None:
                of_limits.add("nan")  # what is no number `_shaped` has made null
            low = -_LARGEST if column.min is None else column.min
            high = _LARGEST if column.max is None else column.max
        limits.append((name, column.nullable, low, high))
        # Where a value is missing it breaks no rule but that of not being so.
        of_column = column.validation_rules(pl.col(name)).items()
        rules += [rule.all().alias(f"{name} {kind}") for kind, rule in of_column if kind not in of_limits]
    return limits, rules


def in_order(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    """Rows in order of their table's key; where they are already, as mostly, they are not in memory twice."""
    return rows if ascends(rows, key_of(table)) else rows.sort(key_of(table))


def ascends(rows: pl.DataFrame, key: Sequence[str]) -> bool:
    """Whether each row comes after the one before, in order of the key."""
    is_same = pl.repeat(value=True, n=max(rows.height - 1, 0), eager=True)
    for name in key:
        before, after = rows[name][:-1], rows[name][1:]
        is_equal = before == after
        differs = is_same & ~is_equal
        if not (before.filter(differs) < after.filter(differs)).all():
            return False
        is_same &= is_equal
    return not is_same.any()


def empty(table: str, registry: Registry = BUILT_IN) -> pl.DataFrame:
    """The table without rows."""
    return _empty(table, registry).clone()


def types_of(table: str, **more: pl.DataType | type[pl.DataType]) -> dict[str, pl.DataType | type[pl.DataType]]:
    """The type of each column of a table, and of the columns that a stage gives beyond them.

    Made without a query, so that modules may ask for it as they are imported: a query would start threads.
    """
    return {**_empty(table, BUILT_IN).schema, **more}


@cache
def _empty(table: str, registry: Registry) -> pl.DataFrame:
    columns = schema_of(table, registry).columns()
    return pl.DataFrame(schema={name: column.dtype for name, column in columns.items()})


def unit_of(column: dy.Column) -> str:
    """The unit of a column as readers see it."""
    return str(_metadata(column).get("unit", ""))


def decimals_of(column: dy.Column) -> int | None:
    """Decimals to which a measured column is published; None for others."""
    decimals = _metadata(column).get("decimals")
    return None if decimals is None else int(decimals)


def meaning_of(table: str) -> str:
    """What a row of the table is, in a sentence."""
    return " ".join((TABLES[table].__doc__ or "").split())


def _metadata(column: dy.Column) -> dict[str, Any]:
    return column.metadata or {}

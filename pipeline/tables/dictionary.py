"""The data dictionary, made from the table classes: for `splitdrift dictionary` and `data/DICTIONARY.md`."""

from __future__ import annotations

from pipeline.core.metrics import METRICS
from pipeline.core.quality_rules import RULES, SUSPICIONS, Rule, Stuck
from pipeline.tables import PARTITIONED, TABLES, meaning_of, unit_of


def dictionary() -> str:
    """Every table and column in Markdown: unit, meaning, whether it can be null, key."""
    parts = [
        "# Data dictionary",
        "",
        "Made from `pipeline/tables/` by `splitdrift dictionary`; do not edit. All tables are in `splitdrift.duckdb`",
        "under these names, and as Parquet under `tables/`. A column in **bold** is part of the table's key.",
        "",
    ]
    for name, schema in TABLES.items():
        parts += [f"## {name}", "", meaning_of(name), ""]
        if name in PARTITIONED:
            parts += ["In Parquet: one folder per athlete and month (`athlete_id=.../month=YYYY-MM`).", ""]
        parts += ["| column | unit | may be null | meaning |", "| --- | --- | --- | --- |"]
        key = schema.primary_key()
        for column_name, column in schema.columns().items():
            shown = f"**{column_name}**" if column_name in key else column_name
            nullable = "yes" if column.nullable else ""
            parts.append(f"| {shown} | {unit_of(column)} | {nullable} | {column.description} |")
        parts.append("")
    parts += [
        "## Values of `metric`",
        "",
        "| metric | in words | unit | computed from | counts as | smallest change of interest, % per 10 km |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    parts += [
        f"| {metric.column} | {metric.label} | {metric.unit} | {', '.join(metric.derived_from) or 'a reading'} | "
        f"{'effort' if metric.is_effort else 'form'} | {metric.smallest_change_pct}: {metric.smallest_change_source} |"
        for metric in METRICS
    ]
    return "\n".join([*parts, *_rules()]) + "\n"


def _rules() -> list[str]:
    """The thresholds behind `suspicion`."""
    return [
        "",
        "## Values of `suspicion`",
        "",
        "| suspicion | in words | what is done | quantity | from which value on | source |",
        "| --- | --- | --- | --- | --- | --- |",
        *(
            f"| {rule.suspicion} | {SUSPICIONS[rule.suspicion].words} | {SUSPICIONS[rule.suspicion].treatment} | "
            f"{rule.quantity} | {_threshold(rule)} | {rule.source} |"
            for rule in RULES
        ),
    ]


def _threshold(rule: Rule) -> str:
    finest = f"{rule.threshold:g} {rule.unit}"
    if not isinstance(rule, Stuck):
        return finest
    return f"{finest}; {rule.coarse_threshold:g} s where its resolution is {rule.coarse_from:g} or coarser"

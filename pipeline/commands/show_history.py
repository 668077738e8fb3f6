"""The history of a store in the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import groupby

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.store.history import COUNTED, Record
from pipeline.tables.analysed import FINDING_WORDS

#: How many changed findings of a refresh are listed.
MOST_FINDINGS = 12

_COUNTED = (*COUNTED, ("refused", "rejected"))


def history_table(records: Sequence[Record], registry: Registry = BUILT_IN) -> RenderableType:
    """The refreshes of a store and the returns to older states, one row each; consecutive refreshes with nothing new
    share one.

    Args:
        records: as `pipeline.store.history.history_of_states` gives them.
    """
    if not records:
        return Text("There is no record yet: the history begins with the next refresh.")
    table = Table(title="Refreshes, oldest first", title_justify="left", header_style="bold", pad_edge=False)
    for heading in ("generation", "began (UTC)", "files", "findings that changed"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("generation", "began (UTC)"))
    for (is_idle, _), group in groupby(records, key=lambda row: (row.get("nothing_new", False), row["generation"])):
        rows = list(group)
        if is_idle:
            times = f", {len(rows)} times" if len(rows) > 1 else ""
            table.add_row("", Text(_began(rows)), f"nothing new{times}", "")
            continue
        for row in rows:
            cells = (_state(row), _began([row]), "\n".join(_files(row)), "\n".join(_changed(row, registry)))
            table.add_row(*(Text(cell) for cell in cells))
    return Group(table, Text("'kept': splitdrift history --store STORE --return-to GENERATION makes it the valid one."))


def _state(record: Record) -> str:
    if "returned_from" in record or "failed" in record:
        return ""
    mark = "\nvalid now" if record["is_valid"] else "\nkept" if record["is_kept"] else ""
    return f"{record['generation']}{mark}"


def _began(records: Sequence[Record]) -> str:
    if "began_at_utc" not in records[0]:
        return ""
    first, last = (f"{datetime.fromisoformat(row['began_at_utc']):%Y-%m-%d %H:%M}" for row in (records[0], records[-1]))
    if len(records) > 1:
        return f"{first}\nto {last}"
    return f"{first}\ntook {records[0]['seconds']:.1f} s" if "seconds" in records[0] else first


def _files(record: Record) -> Iterator[str]:
    if "returned_from" in record:
        yield f"returned to {record['generation']}"
    elif "failed" in record:
        yield f"failed: {record['failed']}"
    elif "n_new" not in record:
        yield "a self-check"
    else:
        yield from (f"{record[f'n_{key}']} {label}" for key, label in _COUNTED if record[f"n_{key}"])
        if n_repaired := record.get("n_repaired", 0):
            yield f"{n_repaired} made again after damage"
        elif not any(record[f"n_{key}"] for key, _ in COUNTED):
            yield "no file: lists, settings or splitdrift itself"


def _changed(record: Record, registry: Registry) -> list[str]:
    """Changes of findings, one line each; first findings of an athlete share one."""
    changes, first = _changes(record)
    lines = [
        f"{row['athlete_id']}: {registry.label(row['metric'])} {_words(row['before'])} → {_words(row['after'])}"
        for row in changes
    ]
    return _at_most([*lines, f"first findings of {', '.join(first)}"] if first else lines)


def changed_in_words(record: Record, registry: Registry = BUILT_IN) -> list[str]:
    """Changes of findings, without those of athletes who had none; metrics of which the same is said share a line."""
    lines = []
    for athlete_id, rows in groupby(_changes(record)[0], key=lambda row: row["athlete_id"]):
        metrics: dict[tuple[str | None, str | None], list[str]] = {}
        for row in rows:
            metrics.setdefault((row["before"], row["after"]), []).append(registry.label(row["metric"]))
        lines += [
            f"{athlete_id}: {', '.join(labels)} {_words(before)} → {_words(after)}"
            for (before, after), labels in metrics.items()
        ]
    return _at_most(lines)


def _changes(record: Record) -> tuple[list[Record], list[str]]:
    """Changes of findings; and the athletes all of whose findings are their first."""
    findings = record.get("findings", [])
    had = {row["athlete_id"] for row in findings if row["before"] is not None}
    changes = [row for row in findings if row["athlete_id"] in had]
    return changes, list(dict.fromkeys(row["athlete_id"] for row in findings if row["athlete_id"] not in had))


def _at_most(lines: list[str]) -> list[str]:
    more = [f"and {len(lines) - MOST_FINDINGS} more"] if len(lines) > MOST_FINDINGS else []
    return [*lines[:MOST_FINDINGS], *more]


def _words(finding: str | None) -> str:
    return "none" if finding is None else FINDING_WORDS.get(finding, finding)

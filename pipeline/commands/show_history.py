"""The history of a store in the terminal, and the way back to one of its older states."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from pipeline.core.errors import UsageError
from pipeline.core.metrics import METRICS
from pipeline.store.generations import current, generations, point_to, published
from pipeline.store.history import made_a_state, note_return, read_history
from pipeline.store.lock import locked
from pipeline.tables.analysed import FINDING_WORDS

#: So many changed findings are listed of one refresh.
MOST_FINDINGS = 12

_LABELS = {metric.column: metric.label for metric in METRICS}
_UNTOLD = "a self-check"


def told_history(store: Path) -> list[dict[str, Any]]:
    """The records of a store, oldest first, each with `is_valid` and `is_kept`.

    A state that is kept but has no record of its own, such as that of a self-check, has a record with nothing else.

    Raises:
        NothingDone: there is no store yet.
    """
    valid = published(store).name
    kept = [one.name for one in generations(store)]
    records = read_history(store)
    told = {one["generation"] for one in records if made_a_state(one)}
    for name in kept:
        if name not in told:
            place = next((n for n, one in enumerate(records) if one["generation"] > name), len(records))
            first = next((n for n, one in enumerate(records) if one["generation"] == name), place)
            records.insert(min(place, first), {"generation": name})
    return [one | {"is_valid": one["generation"] == valid, "is_kept": one["generation"] in kept} for one in records]


def return_to(store: Path, generation: str) -> str:
    """Make an older state the valid one; returns what to know about that.

    Args:
        store: its folder or address.
        generation: name of a state that is kept.

    Raises:
        NothingDone: there is no store yet.
        UsageError: no state of that name is kept.
        Held: another process is changing the store.
    """
    published(store)
    with locked(store):
        kept = {one.name: one for one in generations(store)}
        if generation not in kept:
            raise UsageError(f"The store keeps no generation '{generation}'. Kept are {', '.join(kept)}.")
        before = current(store)
        if before is not None and before.name == generation:
            return f"Generation {generation} is the valid one already."
        point_to(store, kept[generation])
        note_return(store, kept[generation], before)
    return (
        f"Generation {generation} is valid now. The others are kept as before. The next refresh builds on it and "
        "brings the store up to date with the inbox again: to stay here, stop the schedule, or take out of the inbox "
        "what should not count."
    )


def history_table(records: Sequence[Mapping[str, Any]]) -> RenderableType:
    """The refreshes of a store and the returns to older states, a row each; refreshes without news in a row share one.

    Args:
        records: as `told_history` gives them.
    """
    if not records:
        return Text("Nothing is told yet: the history begins with the next refresh.")
    table = Table(title="Refreshes, oldest first", title_justify="left", header_style="bold", pad_edge=False)
    for heading in ("generation", "began (UTC)", "files", "findings that changed"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("generation", "began (UTC)"))
    for is_idle, group in groupby(records, key=lambda one: (one.get("nothing_new", False), one["generation"])):
        own = list(group)
        if is_idle[0]:
            table.add_row(
                Text(""),
                Text(_began(own)),
                Text("nothing new" + (f", {len(own)} times" if len(own) > 1 else "")),
                Text(""),
            )
            continue
        for one in own:
            cells = (_state(one), _began([one]), "\n".join(_files(one)), "\n".join(_changed(one)))
            table.add_row(*(Text(cell) for cell in cells))
    return Group(table, Text("'kept': splitdrift history --store STORE --return-to GENERATION makes it the valid one."))


def _state(told: Mapping[str, Any]) -> str:
    if "returned_from" in told:
        return ""
    mark = "\nvalid now" if told["is_valid"] else "\nkept" if told["is_kept"] else ""
    return f"{told['generation']}{mark}"


def _began(told: Sequence[Mapping[str, Any]]) -> str:
    if "began_at_utc" not in told[0]:
        return ""
    first, last = (f"{datetime.fromisoformat(one['began_at_utc']):%Y-%m-%d %H:%M}" for one in (told[0], told[-1]))
    if len(told) > 1:
        return f"{first}\nto {last}"
    return f"{first}\ntook {told[0]['seconds']:.1f} s" if "seconds" in told[0] else first


def _files(told: Mapping[str, Any]) -> Iterator[str]:
    if "returned_from" in told:
        yield f"returned to {told['generation']}"
        return
    if "n_new" not in told:
        yield _UNTOLD
        return
    for what, words in (("new", "new"), ("changed", "read anew"), ("gone", "gone"), ("refused", "refused")):
        if told[f"n_{what}"]:
            yield f"{told[f'n_{what}']} {words}"
    if not any(told[f"n_{what}"] for what in ("new", "changed", "gone")):
        yield "no file: lists, settings or splitdrift itself"


def _changed(told: Mapping[str, Any]) -> list[str]:
    """Changes of findings, a line each; first findings of an athlete share one."""
    findings = told.get("findings", [])
    had = {one["athlete_id"] for one in findings if one["before"] is not None}
    lines, first = [], dict[str, None]()
    for one in findings:
        if one["before"] is None and one["athlete_id"] not in had:
            first[one["athlete_id"]] = None
        else:
            label = _LABELS.get(one["metric"], one["metric"])
            lines.append(f"{one['athlete_id']}: {label} {_words(one['before'])} → {_words(one['after'])}")
    if first:
        lines.append(f"first findings of {', '.join(first)}")
    more = [f"and {len(lines) - MOST_FINDINGS} more"] if len(lines) > MOST_FINDINGS else []
    return [*lines[:MOST_FINDINGS], *more]


def _words(finding: str | None) -> str:
    return "none" if finding is None else FINDING_WORDS.get(finding, finding)

"""What a night brought, on one page in Markdown that a coach can read: text from rows, nothing else.

Names of files and athletes, and findings with their intervals; no readings, no positions. Whatever others wrote (names,
reasons) is made inert, so that it is shown as it is and never obeyed as markup.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.core.errors import in_words
from pipeline.core.metrics import METRICS
from pipeline.store.history import Record
from pipeline.store.known import file_of
from pipeline.tables.analysed import FINDING_WORDS, FINDINGS

#: So many findings and refused files are written out; the page says how many more there are.
MOST_LINES = 40
#: So many athletes are named in a sentence.
MOST_NAMES = 20

LABELS: Mapping[str, str] = {metric.column: metric.label for metric in METRICS}
#: What became of a file, for one and for several.
_BECAME = {
    "accepted": ("is a run that can be used", "are runs that can be used"),
    "salvaged": ("is damaged, and was used in part", "are damaged, and were used in part"),
    "duplicate": ("is a run that was there already", "are runs that were there already"),
    "not_running": ("is no run", "are no runs"),
    "rejected": ("was refused", "were refused"),
}
_MEASURE = "All changes: percent per 10 km at equal speed and slope, with the 95 % interval in brackets."
_CAUTION = (
    "*These numbers say what changed, not why, and are no advice. Pain, or a change after an injury, belongs with a "
    "physiotherapist or doctor.*"
)


@dataclass(frozen=True)
class Failure:
    """A try that failed.

    Attributes:
        began_at: in the time zone of the night.
        reason: for the person who reads the page.
    """

    began_at: datetime
    reason: str


def reason(error: Exception) -> str:
    """An error in words. What an unexpected one says may quote what it stumbled over, so its kind alone is told."""
    return in_words(error) or f"an error that nobody foresaw ({type(error).__name__})"


def title_of(page: str) -> str:
    """The heading of a page, without the sign before it."""
    return page.partition("\n")[0].removeprefix("# ")


# --- The three pages -------------------------------------------------------------------------------------------------


def done(
    told: Record,
    *,
    began_at: datetime,
    ledger: pl.DataFrame,
    drifts: pl.DataFrame,
    names: Mapping[str, str] | None = None,
    notices: Sequence[str] = (),
    failures: Sequence[Failure] = (),
) -> str:
    """The page of a night that went well.

    Args:
        told: the record of its refresh, as the history holds it.
        began_at: when the night began, in its time zone.
        ledger: rows of `recordings` after it.
        drifts: rows of `athlete_drift` after it.
        names: names of athletes by their ids; those without are called by their id.
        notices: what else a person should look at, a sentence each.
        failures: tries of the same night that failed before.
    """
    shown = {key: name for key, name in (names or {}).items() if name.lower() != key.lower()}
    parts = [_heading(began_at, _in_short(told)), _when(began_at, f"took {_seconds(told['seconds'])}. The store is up")]
    parts[-1] += " to date."
    parts += _tries(failures)
    if told.get("nothing_new"):
        parts.append("Nothing was new: no file of the inbox was added, changed or removed, nor any list or setting.")
        parts += _still_refused(ledger, set())
    else:
        came_in = {*told["new"], *told["changed"]}
        parts += ["## What came in", *_came_in(told, ledger, came_in, shown)]
        parts += ["## Whose finding changed", _listed(_findings(told["findings"], drifts, shown), "splitdrift show")]
        parts += [_MEASURE] if told["findings"] else []
        parts += ["## What was refused", *_refused(told, ledger), *_still_refused(ledger, came_in)]
        parts += _used_in_part(ledger, came_in)
    if notices:
        parts += ["## To look at", _listed([f"- {inert(one)}" for one in notices], "splitdrift check")]
    return _page([*parts, _CAUTION])


def skipped(began_at: datetime, reason: str) -> str:
    """The page of a night that was left out because another refresh was under way."""
    return _page(
        [
            _heading(began_at, "left out"),
            _when(began_at, "was left out: another process is changing the store, and two never do so at once."),
            inert(reason),
            "Nothing is lost: whatever came in is read by that refresh or by the next. If this is so night after "
            "night, the other process hangs; ending it frees the store at once.",
        ]
    )


def failed(failures: Sequence[Failure], *, again_at: datetime | None) -> str:
    """The page of a night that failed.

    Args:
        failures: its tries, in order; at least one.
        again_at: when it is tried again in the same night; None for not any more.
    """
    began_at = failures[0].began_at
    if again_at is not None:
        next_try = f"It is tried again at {again_at:%H:%M}."
    else:
        next_try = "It is not tried again tonight. The next night, or `splitdrift refresh`, takes up everything."
    return _page(
        [
            _heading(began_at, "failed" if again_at is None else "failed so far"),
            _when(began_at, "failed. The store is as it was before, whole and readable."),
            *_tries(failures),
            next_try,
        ]
    )


def with_faults(page: str, faults: Sequence[str]) -> str:
    """The page, and at its end to whom it could not be handed."""
    if not faults:
        return page
    return _page([page.rstrip(), "## Not handed on", _listed([f"- {inert(one)}" for one in faults], "")])


def _page(parts: Iterable[str]) -> str:
    return "\n\n".join(parts) + "\n"


# --- Sentences -------------------------------------------------------------------------------------------------------


def _heading(began_at: datetime, in_short: str) -> str:
    return f"# Night of {began_at:%Y-%m-%d}: {in_short}"


def _in_short(told: Record) -> str:
    if told.get("nothing_new"):
        return "nothing new"
    new = _first_seen(told["findings"])
    n_findings = sum(1 for one in told["findings"] if one["athlete_id"] not in new)
    parts = [f"{_count(told['n_new'], 'file')} came in"]
    if told["n_changed"]:
        parts.append(f"{told['n_changed']} read anew")
    if told["n_gone"]:
        parts.append(f"{told['n_gone']} gone")
    if told["n_refused"]:
        parts.append(f"{told['n_refused']} refused")
    parts.append(f"{_count(n_findings, 'finding')} changed" if n_findings else "no finding changed")
    if new:
        parts.append(f"first findings of {_count(len(new), 'athlete')}")
    return ", ".join(parts)


def _when(began_at: datetime, rest: str) -> str:
    zone = getattr(began_at.tzinfo, "key", None) or began_at.tzname() or "local time"
    return f"The night began at {began_at:%H:%M} ({inert(zone)}) and {rest}"


def _tries(failures: Sequence[Failure]) -> list[str]:
    if not failures:
        return []
    told = [f"- {one.began_at:%H:%M}: {inert(one.reason)}" for one in failures]
    return [f"{_count(len(failures), 'try', 'tries')} failed:", "\n".join(told)]


def _came_in(told: Record, ledger: pl.DataFrame, came_in: set[str], shown: Mapping[str, str]) -> list[str]:
    counts = [(told["n_new"], "new"), (told["n_changed"], "read anew"), (told["n_gone"], "gone")]
    sentence = ", ".join(f"{n} {what}" for n, what in counts) + "."
    if told["n_changed"]:
        sentence += " A file is read anew when it, what the lists say of it, a setting or splitdrift itself changed."
    athletes = told["athletes"]
    if athletes:
        named = ", ".join(_named(one, shown) for one in athletes[:MOST_NAMES])
        more = f" and {len(athletes) - MOST_NAMES} more" if len(athletes) > MOST_NAMES else ""
        sentence += f" Athletes concerned: {named}{more}."
    lines = [f"Files: {sentence}"]
    if told["n_gone"] > ledger.height:
        lines.append(
            "**More files are gone than are left.** If that was not meant, a disk or a share may be missing; "
            "`splitdrift history` names the state before, to return to."
        )
    # The record names a part of a long list only, so its rows would be too few to count.
    if came_in and len(came_in) == told["n_new"] + told["n_changed"]:
        rows = ledger.select("path", "status").iter_rows()
        became = Counter(status for path, status in rows if file_of(path, came_in) in came_in)
        words = [f"{n} {_BECAME[status][n != 1]}" for status in _BECAME if (n := became[status])]
        lines.append(f"Of those files, {'; '.join(words)}.")
    elif not came_in and not told["n_gone"]:
        lines.append(
            "No file was read; a list, a setting or splitdrift itself changed, so that numbers were made anew."
        )
    return lines


def _findings(changed: Sequence[Mapping[str, Any]], drifts: pl.DataFrame, shown: Mapping[str, str]) -> list[str]:
    """A line a finding; those of an athlete who had none before share one."""
    rows = {(row["athlete_id"], row["metric"]): row for row in drifts.iter_rows(named=True)}
    new, order = _first_seen(changed), list(LABELS)
    lines, first = [], dict[str, list[tuple[str, str]]]()
    kept = {*drifts["athlete_id"], *(one["athlete_id"] for one in changed if one["after"] is not None)}
    gone = Counter(one["athlete_id"] for one in changed if one["athlete_id"] not in kept)
    lines += [f"- **{_named(one, shown)}**: no run is left; {_count(n, 'finding')} before." for one, n in gone.items()]
    stays = [one for one in changed if one["athlete_id"] in kept]
    for one in sorted(stays, key=lambda one: (one["athlete_id"], order.index(one["metric"]))):
        row = rows.get((one["athlete_id"], one["metric"]))
        name, label = f"**{_named(one['athlete_id'], shown)}**", LABELS[one["metric"]]
        if one["athlete_id"] in new:
            number = _number(row) if one["after"] in ("rises", "falls") else ""
            first.setdefault(name, []).append((one["after"], label + number))
        elif one["after"] is None:
            lines.append(
                f"- {name}, {label}: was *{_finding(one['before'])}*, is no longer found: no run with it is left."
            )
        else:
            was = f"was *{_finding(one['before'])}*, now" if one["before"] is not None else "for the first time"
            lines.append(f"- {name}, {label}: {was} *{_finding(one['after'])}*{_number(row)}.")
    return lines + [f"- {name}, for the first time: {_by_finding(found)}." for name, found in first.items()]


def _first_seen(changed: Sequence[Mapping[str, Any]]) -> set[str]:
    """Athletes all of whose changes are first findings."""
    return {one["athlete_id"] for one in changed} - {one["athlete_id"] for one in changed if one["before"] is not None}


def _by_finding(found: Sequence[tuple[str, str]]) -> str:
    kinds = sorted({finding for finding, _ in found}, key=FINDINGS.index)
    return "; ".join(
        f"*{_finding(kind)}*: " + ", ".join(label for finding, label in found if finding == kind) for kind in kinds
    )


def _number(row: Mapping[str, Any] | None) -> str:
    """The drift and its interval, where there is one."""
    if row is None or row["drift_low"] is None:
        return ""
    return f" {_signed(row['drift_pct_per_10km'])} % ({_signed(row['drift_low'])} to {_signed(row['drift_high'])})"


def _refused(told: Record, ledger: pl.DataFrame) -> list[str]:
    fixes = dict(ledger.select("path", "fix").iter_rows())
    lines = []
    for one in told["refused"]:
        fix = fixes.get(one["path"])
        lines.append(f"- {inert(one['path'])}: {inert(one['reason'])}" + (f" {inert(fix)}" if fix else ""))
    return [_listed(lines, "splitdrift check", n_in_all=told["n_refused"])]


def _used_in_part(ledger: pl.DataFrame, came_in: set[str]) -> list[str]:
    damaged = ledger.filter(pl.col("status") == "salvaged").select("path", "reason", "fix").iter_rows()
    lines = [
        f"- {inert(path)}: {inert(reason or '')}" + (f" {inert(fix)}" if fix else "")
        for path, reason, fix in damaged
        if file_of(path, came_in) in came_in
    ]
    return ["## What was used in part", _listed(lines, "splitdrift check")] if lines else []


def _still_refused(ledger: pl.DataFrame, came_in: set[str]) -> list[str]:
    rejected = ledger.filter(pl.col("status") == "rejected")["path"]
    n_before = sum(1 for path in rejected if file_of(path, came_in) not in came_in)
    if not n_before:
        return []
    stays = "stays" if n_before == 1 else "stay"
    return [f"{_count(n_before, 'file')} of earlier nights {stays} refused; `splitdrift check` says why."]


def _listed(lines: Sequence[str], where: str, *, n_in_all: int | None = None) -> str:
    """Lines of a list, not more than fit on a page."""
    if not lines:
        return "None."
    n_more = (len(lines) if n_in_all is None else n_in_all) - len(lines[:MOST_LINES])
    more = [f"- and {n_more} more: `{where}`"] if n_more > 0 else []
    return "\n".join([*lines[:MOST_LINES], *more])


def _finding(finding: str | None) -> str:
    return FINDING_WORDS.get(finding or "", inert(finding or ""))


def _named(athlete_id: str, shown: Mapping[str, str]) -> str:
    name = shown.get(athlete_id)
    return inert(athlete_id) if name is None else f"{inert(name)} ({inert(athlete_id)})"


def _count(number: int, one: str, several: str | None = None) -> str:
    return f"{number} {one if number == 1 else several or one + 's'}"


def _signed(value: float) -> str:
    """With its sign, to a tenth; what is shown as zero has none."""
    return f"{value:+.1f}".replace("-", "−") if round(value, 1) else "0.0"


def _seconds(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{max(rest, 1)} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s"


# --- Inert text ------------------------------------------------------------------------------------------------------

#: What begins something in Markdown wherever it stands in a line; also what turns an address into a link by itself.
_SIGNS = re.compile(r"[\\`*_\[\]<>|#~&!$@]|:(?=//)|(?<=[wW]{3})\.")


def inert(text: str) -> str:
    """Somebody else's words for the middle of a line of Markdown: one line, no markup, nothing invisible."""
    seen = "".join(
        " " if sign.isspace() else sign
        for sign in text
        if sign.isspace() or unicodedata.category(sign) not in ("Cc", "Cf", "Cs", "Co", "Cn")
    )
    return _SIGNS.sub(lambda found: f"\\{found.group()}", " ".join(seen.split()))

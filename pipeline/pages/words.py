"""The results of an athlete in sentences: findings, their parts, and what the data cannot say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.core.metrics import LABELS, METRIC_OF, METRICS
from pipeline.pages.units import Units, between, number, signed
from pipeline.tables.analysed import FINDING_WORDS

Row = Mapping[str, Any]

#: Shown with findings: on every page, below the club summary, on the page of a night.
CAUTION = (
    "These numbers say what changed in recorded runs, not why, and are no advice. Pain, or a change after an injury, "
    "belongs with a physiotherapist or doctor."
)
_PLACE = {column: place for place, column in enumerate(METRIC_OF)}
CHANGES = ("rises", "falls", "changes_late")


def finding_words(row: Row) -> str:
    """A finding as a coach would say it."""
    finding = str(row["finding"])
    return FINDING_WORDS.get(finding, finding)


def is_change(row: Row) -> bool:
    """Whether the finding is that the metric changes."""
    return row["finding"] in CHANGES


def in_order(rows: Iterable[Row]) -> list[Row]:
    """Rows in the order of the metrics in their registry."""
    return sorted(rows, key=lambda row: _PLACE[row["metric"]])


def onset_words(row: Row, units: Units) -> str:
    """The onset with its interval; empty without an onset."""
    if row["onset_km"] is None:
        return ""
    at, low, high = (units.distance_text(row[name]) for name in ("onset_km", "onset_low", "onset_high"))
    return f"from {units.distance} {at} ({low} to {high})"


def in_short(row: Row, units: Units) -> str:
    """A change in a line: "contact time rises +2.9 % (+2.3 to +3.6)"."""
    size = f"{signed(row['drift_pct_per_10km'])} % ({between(row['drift_low'], row['drift_high'])})"
    words = f"{LABELS[row['metric']]} {finding_words(row)}"
    if not (where := onset_words(row, units)):
        return f"{words} {size}"
    # The drift after the onset comes first, or that of the whole run would be read as if it began there.
    return f"{words} {where}, {signed(row['drift_after_onset_pct'])} % beyond; over whole runs {size}"


def change_words(row: Row, units: Units) -> tuple[str, str]:
    """A change in two sentences: from where, how much and how sure; and what it is more than."""
    size = f"{signed(row['drift_pct_per_10km'])} % per 10 km ({between(row['drift_low'], row['drift_high'])})"
    where = onset_words(row, units)
    after_onset = (
        f" {where}: {signed(row['drift_after_onset_pct'])} % per 10 km beyond it; as one straight line over whole runs"
        if where
        else ""
    )
    return (
        f"{LABELS[row['metric']].capitalize()} {finding_words(row)}{after_onset} {size}.",
        f"In all {signed(row['raw_pct_per_10km'])} %: pace {signed(row['speed_part_pct'])}, hill "
        f"{signed(row['slope_part_pct'])}, what remains {signed(row['drift_pct_per_10km'])}.",
    )


def form_of(drifts: Iterable[Row]) -> list[Row]:
    """The rows of metrics that count as form."""
    return [row for row in drifts if not METRIC_OF[row["metric"]].is_effort]


def form_state(drifts: Sequence[Row]) -> str:
    """State for the filter: form `changes`, `holds`, or is `open`."""
    findings = {row["finding"] for row in form_of(drifts)}
    if findings & set(CHANGES):
        return "changes"
    return "holds" if "holds" in findings and "unclear" not in findings else "open"


def verdict(drifts: Sequence[Row], units: Units, min_runs: int) -> str:
    """The answer to the first question in a few words: "Form changes from km 8.5"."""
    form, state = form_of(drifts), form_state(drifts)
    if not form:
        return "Nothing of form was recorded"
    if state == "holds":
        return "Form holds"
    if state == "changes":
        onsets = [row["onset_km"] for row in form if is_change(row) and row["onset_km"] is not None]
        if not onsets:
            return "Form changes; no place stands out"
        return f"Form changes from {units.distance} {units.distance_text(min(onsets))}"
    return _open_verdict(form, min_runs)


def _open_verdict(form: Sequence[Row], min_runs: int) -> str:
    unclear = [row for row in form if row["finding"] == "unclear"]
    if not unclear:
        return f"Cannot be said yet: {max(row['n_runs'] for row in form)} of {min_runs} runs"
    if all(row["drift_pct_per_10km"] is None for row in form):
        return "Not clear: pace or hill goes along with the distance"
    return f"No change found; {len(unclear)} of {count_of(len(form), 'metric', 'metrics')} of form not clear"


def effort_words(drifts: Iterable[Row], units: Units) -> str:
    """The metrics of effort in a line; empty where none has an estimate."""
    return "; ".join(_effort_words(row, units) for row in drifts if METRIC_OF[row["metric"]].is_effort and _known(row))


def _effort_words(row: Row, units: Units) -> str:
    words = in_short(row, units) if is_change(row) else f"{LABELS[row['metric']]} {finding_words(row)}"
    return f"{words}; {_TOO_LOW}" if _lags(row) and row["speed_part_pct"] < 0 else words


_TOO_LOW = "comes out too low, since it lags pace"


def _known(row: Row) -> bool:
    return row["drift_pct_per_10km"] is not None


def _lags(row: Row) -> bool:
    """Whether pace moves the metric by so much that its lag behind pace matters."""
    return (
        METRIC_OF[row["metric"]].lags_pace
        and row["speed_part_pct"] is not None
        and abs(row["speed_part_pct"]) >= row["smallest_change_pct"]
    )


def lag_words(drifts: Iterable[Row]) -> str:
    """How not to read a metric that lags pace, where pace moves it much; empty elsewhere."""
    return " ".join(_lag_words(row) for row in drifts if _known(row) and _lags(row))


def _lag_words(row: Row) -> str:
    label = LABELS[row["metric"]].capitalize()
    size = f"{label} lags pace, and pace moves it much here ({signed(row['speed_part_pct'])} % per 10 km):"
    if row["speed_part_pct"] < 0:
        return f"{size} where an athlete slows, its change at equal speed comes out too low."
    return f"{size} part of the lag can pass for a change at equal speed, or hide one."


def more_than_slowing(drifts: Sequence[Row], units: Units) -> str:
    """The answer to the first question: does form change by more than slowing down and the hill, and from where?"""
    form = form_of(drifts)
    known = [row for row in form if _known(row)]
    changes = [row for row in known if is_change(row)]
    if not form:
        effort = listed([metric.label for metric in METRICS if metric.is_effort])
        return f"Nothing of form was recorded: {effort} alone does not say whether it holds."
    if not known:
        if any(row["finding"] == "unclear" for row in form):
            return "Whether form holds is not clear: pace or hill goes along with the distance in these runs."
        return f"There are too few runs to say whether form holds: {form[0]['reason']}."
    if not changes:
        open_ones = [LABELS[row["metric"]] for row in form if row["finding"] != "holds"]
        if open_ones:
            open_words = f"{listed(open_ones)} {'is' if len(open_ones) == 1 else 'are'} not clear"
            return f"Nothing of form is found to change beyond slowing down and the hill; {open_words}."
        return "Form holds: nothing of it changes beyond slowing down and the hill."
    onsets = sorted(row["onset_km"] for row in changes if row["onset_km"] is not None)
    where = (
        f"the first from {units.distance} {units.distance_text(onsets[0])}"
        if onsets
        else "from no place that stands out"
    )
    return (
        f"More than slowing down or the hill: {len(changes)} of {count_of(len(known), 'metric', 'metrics')} of form "
        f"{'changes' if len(changes) == 1 else 'change'} at equal speed and slope, {where}."
    )


def count_of(number: int, singular: str, plural: str) -> str:
    """A count with its noun."""
    return f"{number} {singular if number == 1 else plural}"


def listed(labels: Sequence[str]) -> str:
    """Labels joined as a list in a sentence."""
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"


def cannot_say(drifts: Sequence[Row], never: Sequence[str], runs: Sequence[Row], pacing: Row | None) -> list[str]:
    """What the data of an athlete leave open, one sentence each.

    Args:
        never: labels of metrics that no run has.
    """
    sentences = _left_open(in_order(drifts))
    if never:
        sentences.append(f"Never recorded, or not computable from what was: {listed(never)}.")
    if flat := sum(row["altitude"] == "absent" for row in runs):
        sentences.append(
            f"{flat} of {count_of(len(runs), 'run', 'runs')} {'has' if flat == 1 else 'have'} no altitude: a hill "
            f"in {'it' if flat == 1 else 'them'} cannot be told from a change of form."
        )
    if unlisted := sum(row["shoe_id"] is None and row["surface"] is None for row in runs):
        has = "has" if unlisted == 1 else "have"
        sentences.append(
            f"{unlisted} of {count_of(len(runs), 'run', 'runs')} {has} neither shoe nor surface in the list of "
            "sessions."
        )
    if pacing is not None and (walked := pacing["n_walked_splits"]):
        were = "was" if walked == 1 else "were"
        sentences.append(f"{count_of(walked, 'split', 'splits')} {were} partly walked and did not enter.")
    sentences.append(
        "Wind, heat, drink, sleep and a sensor that slips are not in the data; what they do to form along a run is in "
        "what remains. How the foot lands is known from video alone."
    )
    return sentences


def _left_open(drifts: Sequence[Row]) -> list[str]:
    """Open findings with their reasons; metrics with the same reason share a sentence."""
    alike: dict[tuple[str, str | None, str], list[str]] = {}
    for row in drifts:
        if row["reason"]:
            size = number(row["detectable_pct"], 1) if row["finding"] in _OPEN else ""
            alike.setdefault((row["finding"], row["reason"], size), []).append(LABELS[row["metric"]])
    sentences = []
    for (finding, reason, size), labels in alike.items():
        every = len(labels) == len(drifts) > 1
        which = f"all {len(labels)} metrics" if every else listed(labels)
        is_are = "is" if len(labels) == 1 else "are"
        state = f" {is_are} {_OPEN[finding]}" if finding in _OPEN else ""
        sentences.append(f"{which[0].upper()}{which[1:]}{state}: {reason}.")
        if size:
            sentences[-1] += f" Such runs would show a change of {size} % per 10 km four times in five."
    return sentences


_OPEN = {"unclear": "not clear", "too_little_data": "open"}

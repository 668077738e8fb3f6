"""What the numbers of an athlete say, in sentences: findings, what they are made of, and what the data cannot say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.metrics import METRICS
from pipeline.pages.units import Units, between, number, signed
from pipeline.tables.analysed import FINDING_WORDS

Row = Mapping[str, Any]

METRIC = {metric.column: metric for metric in METRICS}
#: The order in which metrics are told.
ORDER = {metric.column: place for place, metric in enumerate(METRICS)}
#: The one metric that is no form: what the running costs.
EFFORT = "heart_rate_bpm"
_CHANGES = ("rises", "falls")


def finding_words(row: Row) -> str:
    """A finding as a coach would say it."""
    finding = str(row["finding"])
    return FINDING_WORDS.get(finding, finding)


def is_change(row: Row) -> bool:
    """Whether the finding is that the metric rises or falls."""
    return row["finding"] in _CHANGES


def in_order(rows: Iterable[Row]) -> list[Row]:
    """Rows in the order in which metrics are told."""
    return sorted(rows, key=lambda row: ORDER[row["metric"]])


def onset_words(row: Row, units: Units) -> str:
    """From where, with its interval; nothing where no place stands out."""
    if row["onset_km"] is None:
        return ""
    at, low, high = (units.distance_text(row[name]) for name in ("onset_km", "onset_low", "onset_high"))
    return f"from {units.distance} {at} ({low} to {high})"


def in_short(row: Row, units: Units) -> str:
    """A change in a line: "contact time rises +3.0 % (+2.2 to +3.7) from km 9.5 (5.5 to 10.5)"."""
    size = f"{signed(row['drift_pct_per_10km'])} % ({between(row['drift_low'], row['drift_high'])})"
    words = f"{METRIC[row['metric']].label} {row['finding']} {size}"
    where = onset_words(row, units)
    return f"{words} {where}" if where else words


def change_words(row: Row, units: Units) -> tuple[str, str]:
    """A change in two sentences: how much, how sure and from where; and what it is more than."""
    size = f"{signed(row['drift_pct_per_10km'])} % per 10 km ({between(row['drift_low'], row['drift_high'])})"
    where = onset_words(row, units)
    beyond = f", {where}; beyond it {signed(row['drift_after_onset_pct'])} %" if where else ""
    return (
        f"{METRIC[row['metric']].label.capitalize()} {row['finding']} {size}{beyond}.",
        f"In all {signed(row['raw_pct_per_10km'])} %: pace {signed(row['speed_part_pct'])}, hill "
        f"{signed(row['slope_part_pct'])}, what remains {signed(row['drift_pct_per_10km'])}.",
    )


def more_than_slowing(drifts: Sequence[Row], units: Units) -> str:
    """The answer to the first question: does form change by more than slowing down and the hill, and from where?"""
    form = [row for row in drifts if row["metric"] != EFFORT]
    known = [row for row in form if row["drift_pct_per_10km"] is not None]
    changes = [row for row in known if is_change(row)]
    if not form:
        return "Nothing of form was recorded: heart rate alone does not say whether it holds."
    if not known:
        if any(row["finding"] == "unclear" for row in form):
            return "Whether form holds is not clear: pace or hill goes along with the distance in these runs."
        return "There are too few runs to say whether form holds."
    if not changes:
        open_ones = [METRIC[row["metric"]].label for row in form if row["finding"] != "holds"]
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


def count_of(number: int, one: str, several: str) -> str:
    """A number of things in words."""
    return f"{number} {one if number == 1 else several}"


def listed(labels: Sequence[str]) -> str:
    """Words as a list in a sentence."""
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"


def cannot_say(drifts: Sequence[Row], never: Sequence[str], runs: Sequence[Row], pacing: Row | None) -> list[str]:
    """What this athlete's data leave open, a sentence each.

    Args:
        drifts: rows of `athlete_drift` of the athlete.
        never: labels of metrics that no run holds.
        runs: rows of `runs` of the athlete.
        pacing: the athlete's row of `pacing`.
    """
    told = []
    for row in in_order(drifts):
        label = METRIC[row["metric"]].label.capitalize()
        if row["finding"] in ("unclear", "too_little_data"):
            told.append(f"{label} is {'not clear' if row['finding'] == 'unclear' else 'open'}: {row['why']}.")
            if (size := row["detectable_pct"]) is not None:
                told[-1] += f" Such runs would show a change of {number(size, 1)} % per 10 km four times in five."
        elif row["why"]:
            told.append(f"{label}: {row['why']}.")
    if never:
        told.append(f"Never recorded, or not computable from what was: {listed(never)}.")
    if flat := sum(row["altitude"] == "absent" for row in runs):
        told.append(
            f"{flat} of {count_of(len(runs), 'run', 'runs')} {'has' if flat == 1 else 'have'} no altitude: a hill "
            f"in {'it' if flat == 1 else 'them'} cannot be told from a change of form."
        )
    if unlisted := sum(row["shoe_id"] is None and row["surface"] is None for row in runs):
        has = "has" if unlisted == 1 else "have"
        told.append(
            f"{unlisted} of {count_of(len(runs), 'run', 'runs')} {has} neither shoe nor surface in sessions.csv."
        )
    if pacing is not None and (walked := pacing["n_walked_splits"]):
        were = "was" if walked == 1 else "were"
        told.append(f"{count_of(walked, 'split', 'splits')} {were} partly walked and did not enter.")
    told.append(
        "Wind, heat, drink, sleep and a sensor that slips are not in the data; what they do to form along a run is in "
        "what remains. How the foot lands is known from video alone."
    )
    return told

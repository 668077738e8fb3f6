"""Metrics of one's own: the tables `[metrics.NAME]` of settings.toml, checked, as entries of the registry.

A metric needs a name that ends in its unit, the column that holds it, and the smallest change that matters. Nothing is
known of how it responds to speed: what the runs say of that is not drawn towards anything.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from typing import Any

from pipeline.core.errors import UsageError
from pipeline.core.metrics import QUANTITIES, Metric
from pipeline.core.toml import lines_of

#: More would make the pages unreadable. Common practice, no source.
MOST_METRICS = 8
FORM, EFFORT = "form", "effort"
_DEFAULTS: Mapping[str, Any] = {"label": "", "decimals": 1, "counts_as": FORM, "lowest": 0.0, "highest": 1e9}
_REQUIRED = ("column", "unit", "smallest_change_pct")
_KEYS = (*_REQUIRED, *_DEFAULTS)
_MOST_CHARACTERS = 40
_MOST_DECIMALS = 6
#: What labels and units are written with: they stand on pages, in pictures and in file names of charts.
_PLAIN_TEXT = re.compile(r"[\w .,/%°²³·()+-]+")
#: Nothing is known of an athlete's response before the runs tell it: a prior so wide decides nothing.
_RESPONSE_SD = 1.0


def own_metrics(written: Any, text: str, name: str) -> dict[str, dict[str, Any]]:
    """The entries of `[metrics]`, checked and complete.

    Args:
        written: what TOML has under `metrics`.
        text: of the file, for the line of a fault.
        name: of the file, likewise.

    Raises:
        UsageError: a fault; the message has file, line, what was found and what was expected.
    """
    if not isinstance(written, dict) or not all(isinstance(entry, dict) for entry in written.values()):
        raise UsageError(f"{name}: metrics is {written!r}; expected tables such as [metrics.tibial_peak_g].")
    if len(written) > MOST_METRICS:
        raise UsageError(f"{name}: there are {len(written)} tables [metrics.NAME]; expected {MOST_METRICS} at most.")
    checked: dict[str, dict[str, Any]] = {}
    for key, entry in written.items():
        fault = _Fault(name, text, key)
        checked[key] = _checked(key, entry, fault)
        others = {other: checked[other] for other in checked if other != key}
        _require_free(checked[key], others, fault)
    return checked


def metric_of(name: str, entry: Mapping[str, Any], place: int) -> Metric:
    """The metric of a checked entry.

    Args:
        place: among the metrics of one's own, 0 the first; they come after all others.
    """
    return Metric(
        column=name,
        label=entry["label"],
        unit=entry["unit"],
        decimals=entry["decimals"],
        meaning=f"{entry['label'][:1].upper()}{entry['label'][1:]}, as the column {entry['column']} has it",
        smallest_change_pct=entry["smallest_change_pct"],
        smallest_change_source="as stated in settings.toml",
        picture_rank=100 + place,
        is_effort=entry["counts_as"] == EFFORT,
        speed_response_sd=_RESPONSE_SD,
        source_column=entry["column"],
        lowest=entry["lowest"],
        highest=entry["highest"],
    )


def unit_ending(unit: str) -> str:
    """How the name of a metric ends for its unit: `m/s²` is `m_s2`, `%` is `pct`."""
    spelled = unit.lower()
    for sign, word in (("%", " pct "), ("°", " "), ("²", "2"), ("³", "3"), ("·", " ")):
        spelled = spelled.replace(sign, word)
    return re.sub(r"[\W_]+", "_", spelled).strip("_")


class _Fault:
    """Makes errors about one entry."""

    def __init__(self, name: str, text: str, metric: str) -> None:
        self._name, self._text, self._metric = name, text, metric

    def __call__(self, found: str, expected: str, key: str | None = None) -> UsageError:
        lines, table = lines_of(self._text), ("metrics", self._metric)
        line = lines.get((*table, key or "")) or lines.get(table)
        where = f", line {line}" if line else ""
        return UsageError(f"{self._name}{where}: [metrics.{self._metric}] {found}; expected {expected}.")


def _checked(key: str, entry: Mapping[str, Any], fault: _Fault) -> dict[str, Any]:
    for word in entry:
        if word not in _KEYS:
            near = difflib.get_close_matches(word, _KEYS, n=1)
            raise fault(f"has the key {word!r}", near[0] if near else f"one of {', '.join(_KEYS)}", word)
    for word in _REQUIRED:
        if word not in entry:
            example = {"column": '"Peak tibial (g)"', "unit": '"g"', "smallest_change_pct": "5"}[word]
            raise fault(f"has no {word}", f"a line such as {word} = {example}")
    column, unit = _text(entry, "column", fault), _plain_text(entry, "unit", fault)
    ending = unit_ending(unit)
    if not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)+", key) or not ending or not key.endswith(f"_{ending}"):
        raise fault(
            "has a name that does not say its unit",
            f"small letters, digits and _ that end in _{ending or 'unit'}, such as [metrics.tibial_peak_{ending}]",
        )
    words = key.removesuffix(f"_{ending}").replace("_", " ")
    label = _plain_text(entry, "label", fault) if "label" in entry else words
    return {"column": column, "unit": unit, "label": label, **_choices(entry, fault), **_numbers(entry, fault)}


def _choices(entry: Mapping[str, Any], fault: _Fault) -> dict[str, Any]:
    decimals, counts_as = (entry.get(word, _DEFAULTS[word]) for word in ("decimals", "counts_as"))
    if isinstance(decimals, bool) or not isinstance(decimals, int) or not 0 <= decimals <= _MOST_DECIMALS:
        raise fault(f"has decimals = {decimals!r}", f"a whole number up to {_MOST_DECIMALS}", "decimals")
    if counts_as not in (FORM, EFFORT):
        raise fault(f"has counts_as = {counts_as!r}", f'"{FORM}" or "{EFFORT}"', "counts_as")
    return {"decimals": decimals, "counts_as": counts_as}


def _numbers(entry: Mapping[str, Any], fault: _Fault) -> dict[str, float]:
    lowest, highest, smallest = (_number(entry, word, fault) for word in ("lowest", "highest", "smallest_change_pct"))
    if lowest < 0 or highest <= lowest:
        raise fault(f"has lowest = {lowest:g} and highest = {highest:g}", "0 or more, and more than that", "lowest")
    if not 0 < smallest <= 100:
        raise fault(f"has smallest_change_pct = {smallest:g}", "a percentage above 0", "smallest_change_pct")
    return {"lowest": lowest, "highest": highest, "smallest_change_pct": smallest}


def _text(entry: Mapping[str, Any], word: str, fault: _Fault) -> str:
    value = entry[word]
    text = value.strip() if isinstance(value, str) else ""
    if not text or len(text) > _MOST_CHARACTERS or not text.isprintable():
        raise fault(f"has {word} = {value!r}", f"a text in quotation marks, up to {_MOST_CHARACTERS} letters", word)
    return text


def _plain_text(entry: Mapping[str, Any], word: str, fault: _Fault) -> str:
    text = _text(entry, word, fault)
    if not _PLAIN_TEXT.fullmatch(text):
        raise fault(f"has {word} = {text!r}", "letters, digits and signs such as / % °", word)
    return text


def _number(entry: Mapping[str, Any], word: str, fault: _Fault) -> float:
    value = entry.get(word, _DEFAULTS.get(word))
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise fault(f"has {word} = {value!r}", "a number", word)
    return float(value)


def _require_free(entry: Mapping[str, Any], others: Mapping[str, Mapping[str, Any]], fault: _Fault) -> None:
    """Refuse a column that another metric has, or a label by which two could not be told apart."""
    columns = {other["column"].casefold(): name for name, other in others.items()}
    if (other := columns.get(entry["column"].casefold())) is not None:
        raise fault(f"has the column of [metrics.{other}]", "a column of its own", "column")
    labels = {quantity.label.casefold() for quantity in QUANTITIES} | {
        one["label"].casefold() for one in others.values()
    }
    if entry["label"].casefold() in labels:
        raise fault(f"has the label of another metric, {entry['label']!r}", "a label of its own", "label")

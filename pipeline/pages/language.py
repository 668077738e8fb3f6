"""The language of the pages: texts from a catalogue, numbers and dates as its readers write them.

Every text of the pages is in `texts/<code>.toml`, by a key; a new language is one more such file. A text may name
values in braces. Where it has the forms `one` and `other`, the value `n` chooses between them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.core.catalogue import catalogue, form_of
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import EXCLUSION_REASONS, SUSPICIONS
from pipeline.pages.units import Units, deciding, number, numbers, signed

TEXTS = Path(__file__).with_name("texts")
#: The languages there are, by code.
LANGUAGES = ("en", "de")
#: So many places are kept as they are written: those of splits, which all athletes have in common.
MOST_PLACES = 4096
_KIND_OF_EXCLUSION = {words: kind for kind, words in EXCLUSION_REASONS.items()}


@dataclass(frozen=True)
class Language:
    """A language, with the units that the settings choose.

    Attributes:
        code: of `LANGUAGES`.
        registry: the quantities in force.
    """

    code: str
    units: Units
    registry: Registry = BUILT_IN

    def __hash__(self) -> int:
        # The registry is large, and is asked for with every page.
        return hash((self.code, self.units))

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key with its values."""
        texts = self._texts
        if not values:
            return texts[key]
        return texts[form_of(texts, key, values) if "n" in values else key].format(**values)

    @cached_property
    def _texts(self) -> Mapping[str, str]:
        return catalogue(TEXTS, self.code)

    @cached_property
    def _labels(self) -> Mapping[str, str]:
        of_registry = {quantity.column: quantity.label for quantity in self.registry.quantities}
        keys = {key.split(".")[1]: key for key in self._texts if key.startswith("metric.") and key.endswith(".label")}
        return of_registry | {column: self(key) for column, key in keys.items()}

    @cached_property
    def _units(self) -> dict[str, str]:
        return {}  # as far as they were asked for

    @cached_property
    def _places(self) -> dict[tuple[float, int], str]:
        return {}  # as far as they were asked for

    @cached_property
    def _decimal(self) -> str:
        return self("number.decimal")

    def has(self, key: str) -> bool:
        """Whether there is a text of this key."""
        return key in self._texts

    # --- Numbers ------------------------------------------------------------------------------------------------------

    def number(self, value: float | None, decimals: int) -> str:
        """A number rounded to `decimals`; empty for None."""
        text = number(value, decimals)
        return text if self._decimal == "." else self._written(text)

    def signed(self, value: float | None, decimals: int = 1) -> str:
        """A number with its sign."""
        return self._written(signed(value, decimals))

    def numbers(self, values: Sequence[float | None], decimals: int) -> list[str]:
        """Several numbers, each as `number` writes it."""
        return numbers(values, decimals, point=self._decimal)

    def signs(self, values: Sequence[float | None], decimals: int = 1) -> list[str]:
        """Several numbers, each as `signed` writes it."""
        return numbers(values, decimals, sign="+", point=self._decimal)

    def between(self, low: float | None, high: float | None, decimals: int = 1) -> str:
        """An interval of changes; an end next to zero keeps the digit that says on which side it lies."""
        if low is None or high is None:
            return ""
        ends = (self.signed(value, deciding(value, decimals)) for value in (low, high))
        return self("number.between", low=next(ends), high=next(ends))

    def intervals(self, lows: Sequence[float | None], highs: Sequence[float | None], decimals: int = 1) -> list[str]:
        """Several intervals, each as `between` writes it."""
        form, written = self("number.between", low="%s", high="%s"), []
        for values in (lows, highs):
            texts = self.signs(values, decimals)
            for place, value in enumerate(values):
                if value is not None and abs(value) < 10.0**-decimals:
                    texts[place] = self.signed(value, deciding(value, decimals))
            written.append(texts)
        return [form % ends if all(ends) else "" for ends in zip(*written, strict=True)]

    def _written(self, text: str) -> str:
        return text if self._decimal == "." else text.replace(".", self._decimal)

    def listed(self, parts: Sequence[str]) -> str:
        """Parts joined as a list in a sentence."""
        return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {self('number.and')} {parts[-1]}"

    # --- Units --------------------------------------------------------------------------------------------------------

    def distance(self, km: float | None, decimals: int = 1) -> str:
        """A distance [km] in the unit shown, without it."""
        return self._written(self.units.distance_text(km, decimals))

    def place(self, km: float, decimals: int = 1) -> str:
        """A place along a run with its unit: km 9.5. Digits that say nothing are left out."""
        if (known := self._places.get((km, decimals))) is not None:
            return known
        text = self.distance(km, decimals)
        plain = text.rstrip("0").rstrip(self._decimal) if self._decimal in text else text
        written = self(f"unit.place.{self.units.distance}", at=plain)
        if len(self._places) < MOST_PLACES:
            self._places[km, decimals] = written
        return written

    def speed(self, m_s: float | None) -> str:
        """A speed [m/s] in the unit shown, without it."""
        return self._written(self.units.speed_text(m_s))

    def unit(self, unit: str) -> str:
        """A unit as it is written."""
        if unit not in self._units:
            key = f"unit.{unit.replace('/', '_per_').replace(' ', '_')}"
            self._units[unit] = self(key) if self.has(key) else unit
        return self._units[unit]

    # --- Metrics and findings -----------------------------------------------------------------------------------------

    def metric(self, column: str) -> str:
        """The label of a metric; that of the registry where the catalogue has none."""
        return self._labels.get(column, column)

    def head(self, column: str) -> str:
        """The label of a metric at the head of a narrow column: with soft hyphens where words are long."""
        key = f"metric.{column}.head"
        return self(key) if self.has(key) else self.metric(column)

    def suspicion(self, name: str) -> str:
        """What a reading is suspected of; the words of the registry where the catalogue has none."""
        key = f"suspicion.{name}"
        return self(key) if self.has(key) else SUSPICIONS[name].words

    def fix(self, suspicion: str) -> str:
        """What can be done about a suspicion, to follow it; the words of the registry where the catalogue has none."""
        key = f"fix.{suspicion}"
        return self(key) if self.has(key) else SUSPICIONS[suspicion].fix

    def exclusion(self, reason: str) -> str:
        """Why samples were excluded or mended; as the table has it where the catalogue has no words."""
        key = f"exclusion.{_KIND_OF_EXCLUSION.get(reason)}"
        return self(key) if self.has(key) else reason

    def reasons(self, reasons: str | None) -> str:
        """The reasons for a finding, in words, from `athlete_drift.reasons`."""
        return "; ".join(self._reason(**each) for each in json.loads(reasons or "[]"))

    def _reason(self, kind: str, **values: Any) -> str:
        if "suspicion" in values:
            values["suspicion"] = self.suspicion(values["suspicion"])
        if "metric" in values:
            values["metric"] = self.metric(values["metric"])
        shown = {key: self.number(value, 2) if isinstance(value, float) else value for key, value in values.items()}
        return self(f"reason.{kind}", **shown)

    def verb(self, column: str, *, is_up: bool) -> str:
        """What a metric does: lengthens, falls."""
        way = "up" if is_up else "down"
        key = f"metric.{column}.{way}"
        return self(key) if self.has(key) else self(f"metric.{way}")

    def level(self, column: str, value: float | None, decimals: int | None = None) -> str:
        """A level of a metric, without its unit."""
        return self.number(value, self.registry.metric_of[column].decimals if decimals is None else decimals)

    # --- Dates --------------------------------------------------------------------------------------------------------

    def day(self, at: date | str, form: str = "day") -> str:
        """A date; `form` is `day` or `short`, which leaves the year out. A date as text that is none stays as it is."""
        if isinstance(at, str):
            try:
                at = date.fromisoformat(at)
            except ValueError:
                return str(at)
        return self(f"date.{form}", day=at.day, month=self(f"date.months.{at.month}"), year=at.year)

    def month(self, at: date) -> str:
        """The short name of a month."""
        return self(f"date.months.{at.month}")


def upper_first(text: str) -> str:
    """A text with its first letter as a capital."""
    return text[:1].upper() + text[1:]

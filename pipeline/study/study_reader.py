"""Reading a study file.

Every error is reported with its line, what was found and what was expected: a study that is silently read otherwise
than it was meant would be worse than none.
"""

from __future__ import annotations

import difflib
import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields
from datetime import date
from typing import Any

from pipeline.core.errors import UsageError
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.published import READ, all_numbers, works
from pipeline.core.toml import lines_of, parsed
from pipeline.study.outcomes import OUTCOMES, compared
from pipeline.study.study_file import (
    ALONG,
    CAUSES,
    CORRECTIONS,
    COVARIATES,
    DESIGNS,
    FEET,
    GROUPS,
    QUARTERS,
    STATISTICS,
    TAKES,
    Analysis,
    Cohort,
    Published,
    Study,
)


def line_of(text: str, n: int, key: str) -> str:
    """Line of a key of the n-th analysis in a study file, in the words of an error message."""
    line = lines_of(text).get(("analysis", n, key))
    return f"line {line}" if line else "the file"


def read_study(text: str, *, name: str, registry: Registry = BUILT_IN) -> Study:
    """Parse a study file.

    Args:
        registry: the quantities of the store.

    Raises:
        UsageError: the file is not valid; the message has the line, what was found and what was expected.
    """
    return _Reader(text, name, registry).study()


#: The ways to state an early and a late stretch.
_WAYS = ("km", "min", "tags")
_SECTIONS = ("sections", "sections_km", "sections_min")
#: A table of the file: its name, and which of several.
Where = tuple[str | int, ...]
#: The words that a key takes.
_CHOICES: Mapping[str, Sequence[str]] = {
    "correction": CORRECTIONS, "adjust": CAUSES, "windows": (QUARTERS,), "unit": ("athlete", "run"),
    "along": tuple(ALONG), "group": GROUPS, "covariates": COVARIATES, "foot": FEET,
}  # fmt: skip
#: The smallest number that a key takes, or the fewest of a list of them; others take any.
_LEAST: Mapping[str, float] = {
    "seed": 0, "least_cell": 1, "min_distance_km": 0, "max_distance_km": 0, "max_slope_pct": 0,
    "min_speed_reliability": 0, "min_runs": 1, "min_athletes": 2, "sections": 3, "sections_km": 4, "sections_min": 4,
    "group_at": 1, "prior_sd_pct": 0, "prior_scatter_pct": 0.01, "margin_pct": 0, "detectable_pct": 0, "n": 1,
}  # fmt: skip
#: What other words of a key may have been meant to ask for, and what asks for it.
_ELSEWHERE: Mapping[str, str] = {"windows": '; thirds of a run are design = "sections" with sections = 3'}
#: Keys of which 0 stands for none.
_NONE_AT_ZERO = ("prior_sd_pct", "margin_pct", "detectable_pct")


class _Reader:
    """Reads one file, with the lines of its tables and keys."""

    def __init__(self, text: str, name: str, registry: Registry) -> None:
        self._text, self._name, self._registry = text, name, registry
        self._lines = lines_of(text)

    def study(self) -> Study:
        try:
            table = parsed(self._text)
        except ValueError as error:
            raise UsageError(f"{self._name} is not valid TOML: {error}.") from error
        keys = _keys(Study, "cohort", "analyses", "published", "text", "shown")
        self._known(table, [*keys, "cohort", "analysis", "published"], ())
        analyses = tuple(
            self._analysis(entry, n) for n, entry in enumerate(self._tables(table, "analysis", required=True))
        )
        names = [analysis.name for analysis in analyses]
        for n, name in enumerate(names):
            if name in names[:n]:
                raise self._fault(("analysis", n), "name", f"{name!r}, as that of another", "a name of its own")
        published = [self._published(entry, n, analyses) for n, entry in enumerate(self._tables(table, "published"))]
        return Study(
            **self._values(Study, table, (), besides=("title", "question", "cohort", "published")),
            title=self._words(table, "title", ()),
            question=self._words(table, "question", ()),
            cohort=self._cohort(table.get("cohort", {})),
            analyses=analyses,
            published=tuple(published),
            text=self._text,
        )

    # --- Tables of the file ------------------------------------------------------------------------------------------

    def _cohort(self, table: Any) -> Cohort:
        where = ("cohort",)
        if not isinstance(table, dict):
            raise self._fault((), "cohort", repr(table), "a table [cohort]")
        self._known(table, _keys(Cohort), where)
        cohort = Cohort(**self._values(Cohort, table, where))
        if cohort.from_date and cohort.to_date and cohort.from_date > cohort.to_date:
            raise self._fault(where, "to_date", cohort.to_date, f"a day not before from_date, {cohort.from_date}")
        if cohort.max_distance_km is not None and cohort.max_distance_km < cohort.min_distance_km:
            expected = f"no less than min_distance_km, {cohort.min_distance_km:g}"
            raise self._fault(where, "max_distance_km", f"{cohort.max_distance_km:g}", expected)
        return cohort

    def _analysis(self, table: Mapping[str, Any], n: int) -> Analysis:
        where = ("analysis", n)
        self._known(table, _keys(Analysis, "registry"), where)
        design = self._one_of(table, "design", where, tuple(DESIGNS))
        for key in table:
            if key not in ("name", "design", *TAKES[design]):
                raise self._fault(where, key, f"of no effect in {design}", f"only {', '.join(TAKES[design])} there")
        known = tuple(self._registry.metric_of if design == "reliability" else compared(self._registry))
        metrics = self._list(table, "metrics", where, known)
        if design != "landing" and not metrics:
            raise self._fault(where, "metrics", "none", f"at least one of {', '.join(known)}")
        stretches = [key for key in table if key in ("speed_m_s", "early_km", "late_km", "early_min", "late_min")]
        values = self._values(Analysis, table, where, besides=("name", "design", "metrics", "adjust", *stretches))
        values |= {key: values.get(key) or None for key in _NONE_AT_ZERO}
        values |= {key: self._stretch(table, key, where, design) for key in stretches}
        analysis = Analysis(
            **values,
            name=str(table.get("name", f"{design} {n + 1}")),
            design=design,
            metrics=metrics,
            adjust=self._adjust(table, where, metrics),
            registry=self._registry,
        )
        if analysis.change_pct == 0 or analysis.change_pct <= -100:
            raise self._fault(where, "change_pct", repr(table["change_pct"]), "a change, above -100 and not 0")
        self._require_stretches(table, analysis, where)
        self._require_factors(analysis, where)
        return analysis

    def _adjust(self, table: Mapping[str, Any], where: Where, metrics: tuple[str, ...]) -> tuple[str, ...]:
        as_measured = [metric for metric in metrics if metric in OUTCOMES]
        adjust = self._list(table, "adjust", where, CAUSES) if "adjust" in table else CAUSES
        if not as_measured or not adjust:
            return adjust
        if "adjust" not in table and len(as_measured) == len(metrics):
            return ()
        raise self._fault(
            where, "adjust", " and ".join(adjust), f"adjust = []: no responses are estimated for {as_measured[0]}"
        )

    def _require_factors(self, analysis: Analysis, where: tuple[str, int]) -> None:
        if analysis.group_at and analysis.group not in COVARIATES:
            of = "no group" if analysis.group is None else f"bounds of {analysis.group}"
            raise self._fault(where, "group_at", of, f"group = {' or '.join(map(repr, COVARIATES))} with it")
        if analysis.group in analysis.covariates:
            raise self._fault(where, "covariates", repr(analysis.group), "covariates that are not the group as well")
        by_run = analysis.unit == "run"
        if by_run and (analysis.has_factors or analysis.prior_sd_pct or analysis.early_tags):
            expected = '"athlete": groups, covariates, priors and tags are of athletes'
            raise self._fault(where, "unit", '"run"', expected)

    def _require_stretches(self, table: Mapping[str, Any], analysis: Analysis, where: tuple[str, int]) -> None:
        stated = [bool(getattr(analysis, f"{which}_{way}")) for way in _WAYS for which in ("early", "late")]
        pairs = [sum(stated[place : place + 2]) for place in range(0, len(stated), 2)]
        if analysis.design in ("paired_windows", "equivalence", "responders"):
            n_ways = sum(bool(pair) for pair in pairs) + (analysis.windows is not None)
            if n_ways != 1 or 1 in pairs:
                found = "both ways" if n_ways > 1 else "one of two stretches" if n_ways else "no stretches"
                first = next((key for key in table if key.startswith(("early_", "late_"))), "early_km")
                raise self._fault(
                    where, first, found,
                    'early_km = [2, 6] and late_km = [30, 40], the same with early_min and late_min, '
                    'early_tags = ["test=before"] and late_tags = ["test=after"], or windows = "quarters"',
                )  # fmt: skip
        if analysis.design == "sections" and sum(key in table for key in _SECTIONS) != 1:
            found = "stated more than once" if any(key in table for key in _SECTIONS) else "none"
            raise self._fault(where, "sections", found, "sections = 8, sections_km = [1, 5, 9, 13], or sections_min")
        has_both = analysis.early_km is not None and analysis.late_km is not None
        if analysis.design == "landing" and not has_both:
            raise self._fault(where, "early_km", "no distances", "early_km = 10 and late_km = 32")
        for way in ("km", "min"):
            early, late = getattr(analysis, f"early_{way}"), getattr(analysis, f"late_{way}")
            if early and late and early[1] > late[0]:
                expected = f"a stretch after the early one, {table[f'early_{way}']}"
                raise self._fault(where, f"late_{way}", repr(table[f"late_{way}"]), expected)
        if analysis.design == "equivalence" and analysis.margin_pct is None:
            raise self._fault(where, "margin_pct", "none", "the largest change that would not matter, such as 2.0")

    def _published(self, table: Mapping[str, Any], n: int, analyses: Sequence[Analysis]) -> Published:
        where = ("published", n)
        self._known(table, [*_keys(Published), "number"], where)
        names = tuple(analysis.name for analysis in analyses)
        analysis = analyses[names.index(self._one_of(table, "analysis", where, names))]
        metric = self._one_of(table, "metric", where, analysis.metrics) if table.get("metric") else None
        if metric is None and analysis.metrics:
            raise self._fault(where, "metric", "none", " or ".join(analysis.metrics))
        statistic = self._one_of(table, "statistic", where, STATISTICS)
        about: dict[str, Any] = {"analysis": analysis.name, "statistic": statistic, "metric": metric}
        if "number" in table:
            return self._of_the_project(table, where, about)
        if not {"low", "high"} <= table.keys():
            self._number(table, "value", where)
        about |= {
            "source": self._words(table, "source", where),
            "read_as": self._one_of(table, "read_as", where, ("seen", *READ)),
        }
        values = self._values(Published, table, where, besides=tuple(about))
        return Published(**{"value": None} | values | about)

    def _of_the_project(self, table: Mapping[str, Any], where: Where, about: Mapping[str, Any]) -> Published:
        """A number that the project has in `pipeline/core/published.toml`, with its source."""
        for key in table:
            if key not in ("analysis", "metric", "statistic", "part", "number"):
                raise self._fault(where, key, "given beside number", "one of the two: number stands for all of it")
        key = self._words(table, "number", where)
        if key not in all_numbers():
            near = difflib.get_close_matches(key, all_numbers(), n=1)
            raise self._fault(where, "number", repr(key), near[0] if near else "a key of pipeline/core/published.toml")
        work, number = works()[key.partition(".")[0]], all_numbers()[key]
        source = f"{work.cite}: {number.of}; {number.over}"
        told = {name: getattr(number, name) for name in ("value", "n", "sd", "low", "high")}
        part = self._words(table, "part", where) if "part" in table else None
        return Published(**about, **told, part=part, source=source, read_as=work.read)

    # --- Values ------------------------------------------------------------------------------------------------------

    def _values(
        self, of: type, table: Mapping[str, Any], where: Where, besides: Collection[str] = ()
    ) -> dict[str, Any]:
        """The keys of a table that fields of a class stand for, each read by the type of its field.

        Args:
            besides: keys that are read otherwise.
        """
        types = {field.name: field.type for field in fields(of) if field.name not in besides}
        return {key: self._value(str(types[key]), table, key, where) for key in table if key in types}

    def _value(self, kind: str, table: Mapping[str, Any], key: str, where: Where) -> Any:
        if key.endswith("_date"):
            return self._date(table, key, where)
        match kind.removesuffix(" | None"):
            case "tuple[str, ...]":
                return self._list(table, key, where, _CHOICES.get(key))
            case "tuple[float, ...]":
                return self._bounds(table, key, where)
            case "int" | "float" as number:
                return self._number(table, key, where, whole=number == "int")
            case "bool":
                return self._flag(table, key, where)
            case _:
                words = _CHOICES.get(key)
                return self._words(table, key, where) if words is None else self._one_of(table, key, where, words)

    def _tables(self, table: Mapping[str, Any], key: str, *, required: bool = False) -> list[Mapping[str, Any]]:
        entries = table.get(key, [])
        if (
            not isinstance(entries, list)
            or not all(isinstance(entry, dict) for entry in entries)
            or (required and not entries)
        ):
            raise self._fault((), key, "none" if not entries else repr(entries), f"one or several tables [[{key}]]")
        return entries

    def _known(self, table: Mapping[str, Any], names: Sequence[str], where: Where) -> None:
        for key in table:
            if key not in names:
                near = difflib.get_close_matches(key, names, n=1)
                raise self._fault(where, key, "an unknown key", near[0] if near else f"one of {', '.join(names)}")

    def _words(self, table: Mapping[str, Any], key: str, where: Where) -> str:
        value = table.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self._fault(where, key, "nothing" if value is None else repr(value), f'{key} = "some words"')
        return value.strip()

    def _one_of(self, table: Mapping[str, Any], key: str, where: Where, words: Sequence[str]) -> str:
        value = table.get(key)
        if value not in words:
            expected = " or ".join(map(repr, words)) + _ELSEWHERE.get(key, "")
            raise self._fault(where, key, "nothing" if value is None else repr(value), expected)
        return str(value)

    def _list(
        self, table: Mapping[str, Any], key: str, where: Where, words: Sequence[str] | None = None
    ) -> tuple[str, ...]:
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
            raise self._fault(where, key, repr(value), f'a list of words, {key} = ["one", "another"]')
        for word in value:
            if words is not None and word not in words:
                near = difflib.get_close_matches(word, words, n=1)
                raise self._fault(where, key, repr(word), near[0] if near else " or ".join(words))
        return tuple(value)

    def _number(self, table: Mapping[str, Any], key: str, where: Where, *, whole: bool = False) -> float | int:
        value, least = table.get(key), _LEAST.get(key)
        is_number = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
        if not is_number or not math.isfinite(value) or (least is not None and value < least):  # type: ignore[arg-type, operator]
            kind = "a whole number" if whole else "a number"
            at_least = f" of at least {least:g}" if least is not None else ""
            raise self._fault(where, key, "nothing" if value is None else repr(value), kind + at_least)
        return value if whole else float(value)  # type: ignore[arg-type, return-value]

    def _flag(self, table: Mapping[str, Any], key: str, where: Where) -> bool:
        value = table[key]
        if not isinstance(value, bool):
            raise self._fault(where, key, repr(value), "true or false")
        return value

    def _date(self, table: Mapping[str, Any], key: str, where: Where) -> str:
        try:
            return date.fromisoformat(str(table[key])).isoformat()
        except ValueError:
            raise self._fault(where, key, repr(table[key]), "a day, YYYY-MM-DD") from None

    def _stretch(self, table: Mapping[str, Any], key: str, where: Where, design: str) -> tuple[float, float]:
        value = table[key]
        numbers = [value] if design == "landing" else value
        is_right = isinstance(numbers, list) and all(_is_place(number) for number in numbers)
        if design == "landing" and is_right:
            return float(value), float(value)
        if not is_right or len(numbers) != 2 or numbers[0] >= numbers[1]:
            example = f"{key} = 10" if design == "landing" else f"{key} = [2, 6]"
            unit = {"min": "minutes", "s": "metres per second"}.get(key.rpartition("_")[2], "kilometres")
            raise self._fault(where, key, repr(value), f"{unit}, {example}")
        return float(numbers[0]), float(numbers[1])

    def _bounds(self, table: Mapping[str, Any], key: str, where: Where) -> tuple[float, ...]:
        """Rising numbers."""
        value, least = table[key], _LEAST[key]
        numbers = [value] if isinstance(value, int | float) and least == 1 else value
        is_right = (
            isinstance(numbers, list)
            and len(numbers) >= least
            and all(_is_place(number) for number in numbers)
            and all(first < second for first, second in itertools.pairwise(numbers))
        )
        if not is_right:
            raise self._fault(where, key, repr(value), f"at least {least} rising numbers")
        return tuple(map(float, numbers))

    def _fault(self, where: Where, key: str, found: str, expected: str) -> UsageError:
        line = self._lines.get((*where, key)) or self._lines.get(where)
        position = f"line {line}" if line else "the file"
        inside = f" of [{where[0]}]" if where else ""
        return UsageError(f"{self._name}, {position}: {key}{inside} is {found}; expected {expected}.")


def _keys(of: type, *besides: str) -> list[str]:
    return [field.name for field in fields(of) if field.name not in besides]


def _is_place(number: object) -> bool:
    return isinstance(number, int | float) and not isinstance(number, bool) and 0 <= number < math.inf

"""Reading a study file.

Every error is reported with its line, what was found and what was expected: a study that is silently read otherwise
than it was meant would be worse than none.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import date
from typing import Any

from pipeline.core.errors import UsageError
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.published import READ, all_numbers, works
from pipeline.core.toml import parsed
from pipeline.study.outcomes import OUTCOMES, compared
from pipeline.study.study_file import (
    ALONG,
    BOTH_FEET,
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
    line = _lines_of(text).get(("analysis", n, key))
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

_TOP = (
    "title",
    "question",
    "note",
    "licence",
    "authors",
    "seed",
    "correction",
    "least_cell",
    "cohort",
    "analysis",
    "published",
)


class _Reader:
    """Reads one file, with the lines of its tables and keys."""

    def __init__(self, text: str, name: str, registry: Registry) -> None:
        self._text, self._name, self._registry = text, name, registry
        self._lines = _lines_of(text)

    def study(self) -> Study:
        try:
            table = parsed(self._text)
        except ValueError as error:
            raise UsageError(f"{self._name} is not valid TOML: {error}.") from error
        self._known(table, _TOP, ())
        analyses = tuple(
            self._analysis(entry, n) for n, entry in enumerate(self._tables(table, "analysis", required=True))
        )
        names = [analysis.name for analysis in analyses]
        for n, name in enumerate(names):
            if name in names[:n]:
                raise self._fault(("analysis", n), "name", f"{name!r}, as that of another", "a name of its own")
        published = [self._published(entry, n, analyses) for n, entry in enumerate(self._tables(table, "published"))]
        return Study(
            title=self._words(table, "title", ()),
            question=self._words(table, "question", ()),
            cohort=self._cohort(table.get("cohort", {})),
            analyses=analyses,
            published=tuple(published),
            note=self._words(table, "note", ()) if "note" in table else "",
            licence=self._words(table, "licence", ()) if "licence" in table else "",
            authors=self._list(table, "authors", ()),
            seed=self._number(table, "seed", (), 1, whole=True, least=0),
            correction=self._one_of(table, "correction", (), CORRECTIONS, "holm"),
            least_cell=self._number(table, "least_cell", (), 3, whole=True, least=1),
            text=self._text,
        )

    # --- Tables of the file ------------------------------------------------------------------------------------------

    def _cohort(self, table: Any) -> Cohort:
        where = ("cohort",)
        if not isinstance(table, dict):
            raise self._fault((), "cohort", repr(table), "a table [cohort]")
        self._known(table, [field.name for field in fields(Cohort)], where)
        lists = ("kinds", "surfaces", "devices", "tags", "athletes", "not_athletes")
        cohort = Cohort(
            **{name: self._list(table, name, where) for name in lists},
            after_ride=self._flag(table, "after_ride", where),
            from_date=self._date(table, "from_date", where),
            to_date=self._date(table, "to_date", where),
            min_distance_km=self._number(table, "min_distance_km", where, 0.0, least=0),
            max_distance_km=self._number(table, "max_distance_km", where, None, least=0),
            max_slope_pct=self._number(table, "max_slope_pct", where, None, least=0),
            min_speed_reliability=self._number(table, "min_speed_reliability", where, None, least=0),
            min_runs=self._number(table, "min_runs", where, 1, whole=True, least=1),
            min_athletes=self._number(table, "min_athletes", where, 3, whole=True, least=2),
        )
        if cohort.from_date and cohort.to_date and cohort.from_date > cohort.to_date:
            raise self._fault(where, "to_date", cohort.to_date, f"a day not before from_date, {cohort.from_date}")
        if cohort.max_distance_km is not None and cohort.max_distance_km < cohort.min_distance_km:
            expected = f"no less than min_distance_km, {cohort.min_distance_km:g}"
            raise self._fault(where, "max_distance_km", f"{cohort.max_distance_km:g}", expected)
        return cohort

    def _analysis(self, table: Mapping[str, Any], n: int) -> Analysis:
        where = ("analysis", n)
        self._known(table, [field.name for field in fields(Analysis) if field.name != "registry"], where)
        design = self._one_of(table, "design", where, tuple(DESIGNS), None)
        for key in table:
            if key not in ("name", "design", *TAKES[design]):
                raise self._fault(where, key, f"of no effect in {design}", f"only {', '.join(TAKES[design])} there")
        known = tuple(self._registry.metric_of if design == "reliability" else compared(self._registry))
        metrics = self._list(table, "metrics", where, known)
        if design != "landing" and not metrics:
            raise self._fault(where, "metrics", "none", f"at least one of {', '.join(known)}")
        analysis = Analysis(
            name=str(table.get("name", f"{design} {n + 1}")),
            design=design,
            metrics=metrics,
            adjust=self._adjust(table, where, metrics),
            speed_m_s=self._stretch(table, "speed_m_s", where, design),
            early_km=self._stretch(table, "early_km", where, design),
            late_km=self._stretch(table, "late_km", where, design),
            early_min=self._stretch(table, "early_min", where, design),
            late_min=self._stretch(table, "late_min", where, design),
            early_tags=self._list(table, "early_tags", where),
            late_tags=self._list(table, "late_tags", where),
            windows=self._one_of(table, "windows", where, (QUARTERS,), "") or None,
            unit=self._one_of(table, "unit", where, ("athlete", "run"), "athlete"),
            along=self._one_of(table, "along", where, tuple(ALONG), "km"),
            sections=self._number(table, "sections", where, None, whole=True, least=3),
            sections_km=self._bounds(table, "sections_km", where, least=4),
            sections_min=self._bounds(table, "sections_min", where, least=4),
            group=self._one_of(table, "group", where, GROUPS, "") or None,
            group_at=self._bounds(table, "group_at", where, least=1),
            covariates=self._list(table, "covariates", where, COVARIATES),
            prior_sd_pct=self._number(table, "prior_sd_pct", where, 0.0, least=0) or None,
            prior_scatter_pct=self._number(table, "prior_scatter_pct", where, 2.0, least=0.01),
            foot=self._one_of(table, "foot", where, FEET, BOTH_FEET),
            margin_pct=self._number(table, "margin_pct", where, 0.0, least=0) or None,
            detectable_pct=self._number(table, "detectable_pct", where, 0.0, least=0) or None,
            change_pct=self._number(table, "change_pct", where, 2.0),
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
        self._known(table, [*(field.name for field in fields(Published)), "number"], where)
        names = tuple(analysis.name for analysis in analyses)
        analysis = analyses[names.index(self._one_of(table, "analysis", where, names, None))]
        metric = self._one_of(table, "metric", where, analysis.metrics, "") or None
        if metric is None and analysis.metrics:
            raise self._fault(where, "metric", "none", " or ".join(analysis.metrics))
        statistic = self._one_of(table, "statistic", where, STATISTICS, None)
        part = self._words(table, "part", where) if "part" in table else None
        if "number" in table:
            return self._of_the_project(table, where, Published(analysis.name, statistic, None, "", "", metric, part))
        has_range = "low" in table and "high" in table
        return Published(
            analysis=analysis.name,
            statistic=statistic,
            value=self._number(table, "value", where, None if has_range else "required"),
            source=self._words(table, "source", where),
            read_as=self._one_of(table, "read_as", where, ("seen", *READ), None),
            metric=metric,
            part=part,
            n=self._number(table, "n", where, None, whole=True, least=1),
            **{name: self._number(table, name, where, None) for name in ("sd", "low", "high")},
        )

    def _of_the_project(self, table: Mapping[str, Any], where: Where, published: Published) -> Published:
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
        return replace(published, source=source, read_as=work.read, **told)

    # --- Values ------------------------------------------------------------------------------------------------------

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

    def _one_of(
        self, table: Mapping[str, Any], key: str, where: Where, words: Sequence[str], default: str | None
    ) -> str:
        value = table.get(key, default)
        if value == default and default is not None:
            return default
        if value not in words:
            raise self._fault(where, key, "nothing" if value is None else repr(value), " or ".join(map(repr, words)))
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

    def _number(
        self, table: Mapping[str, Any], key: str, where: Where, default: Any, *, whole: bool = False,
        least: float | None = None,
    ) -> Any:  # fmt: skip
        if key not in table and default != "required":
            return default
        value = table.get(key)
        is_number = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
        if not is_number or not math.isfinite(value) or (least is not None and value < least):  # type: ignore[arg-type, operator]
            kind = "a whole number" if whole else "a number"
            at_least = f" of at least {least:g}" if least is not None else ""
            raise self._fault(where, key, "nothing" if value is None else repr(value), kind + at_least)
        return value if whole else float(value)  # type: ignore[arg-type]

    def _flag(self, table: Mapping[str, Any], key: str, where: Where) -> bool | None:
        value = table.get(key)
        if value is not None and not isinstance(value, bool):
            raise self._fault(where, key, repr(value), "true or false")
        return value

    def _date(self, table: Mapping[str, Any], key: str, where: Where) -> str | None:
        value = table.get(key)
        try:
            return None if value is None else date.fromisoformat(str(value)).isoformat()
        except ValueError:
            raise self._fault(where, key, repr(value), "a day, YYYY-MM-DD") from None

    def _stretch(self, table: Mapping[str, Any], key: str, where: Where, design: str) -> tuple[float, float] | None:
        value = table.get(key)
        if value is None:
            return None
        numbers = [value] if design == "landing" else value
        is_right = isinstance(numbers, list) and all(
            isinstance(number, int | float) and not isinstance(number, bool) and 0 <= number < math.inf
            for number in numbers
        )
        if design == "landing" and is_right:
            return float(value), float(value)
        if not is_right or len(numbers) != 2 or numbers[0] >= numbers[1]:
            example = f"{key} = 10" if design == "landing" else f"{key} = [2, 6]"
            unit = {"min": "minutes", "s": "metres per second"}.get(key.rpartition("_")[2], "kilometres")
            raise self._fault(where, key, repr(value), f"{unit}, {example}")
        return float(numbers[0]), float(numbers[1])

    def _bounds(self, table: Mapping[str, Any], key: str, where: Where, *, least: int) -> tuple[float, ...]:
        """Rising numbers."""
        value = table.get(key)
        if value is None:
            return ()
        numbers = [value] if isinstance(value, int | float) and least == 1 else value
        is_right = (
            isinstance(numbers, list)
            and len(numbers) >= least
            and all(isinstance(n, int | float) and not isinstance(n, bool) and 0 <= n < math.inf for n in numbers)
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


def _lines_of(text: str) -> dict[tuple[str | int, ...], int]:
    """Line of each table and key, which `tomllib` does not give."""
    lines: dict[tuple[str | int, ...], int] = {}
    where: Where = ()
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if table := re.match(r"\s*(\[\[?)\s*([\w-]+)\s*\]", line):
            name = table[2]
            if table[1] == "[[":
                counts[name] = counts.get(name, -1) + 1
                where = (name, counts[name])
            else:
                where = (name,)
            lines.setdefault(where, number)
        elif key := re.match(r"\s*([\w-]+)\s*=", line):
            lines.setdefault((*where, key[1]), number)
    return lines

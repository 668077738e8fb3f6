"""Sources of the methods of a study: the works in `sources.toml` that its analyses call for."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl

from pipeline.study.study_file import Study

_WORKS = Path(__file__).with_name("sources.toml")


@dataclass(frozen=True)
class Source:
    """A work that a method is taken from.

    Attributes:
        work: authors, year, title, where it was published.
        gives: what the study takes from it.
        of: what calls for it: designs, corrections, `adjust`, `stiffness` or `power`.
        read_as: seen, or recalled from memory.
        said: text in the results' `method` where it was used; empty where the design always uses it.
    """

    work: str
    gives: str
    of: tuple[str, ...]
    read_as: str
    said: str = ""


@cache
def all_sources() -> tuple[Source, ...]:
    """All works of the file."""
    works = tomllib.loads(_WORKS.read_text(encoding="utf-8"))["source"]
    return tuple(Source(**source | {"of": tuple(source["of"])}) for source in works)


def sources(study: Study, results: pl.DataFrame, *, with_power: bool) -> list[Source]:
    """The works that the methods of a study are taken from, by author.

    Args:
        results: rows of `pipeline.study.results.Results`: how each number was computed.
        with_power: whether the result has numbers of athletes needed.
    """
    calls = _calls(study, results, with_power=with_power)
    return sorted(
        (
            source
            for source in all_sources()
            if calls.intersection(source.of) and (not source.said or _is_used(source, results))
        ),
        key=lambda source: source.work,
    )


def _calls(study: Study, results: pl.DataFrame, *, with_power: bool) -> set[str]:
    calls = {analysis.design for analysis in study.analyses}
    if any(
        analysis.adjust
        for analysis in study.analyses
        if analysis.design in ("paired_windows", "equivalence", "trend", "onset")
    ):
        calls.add("adjust")
    if any("stiffness" in metric for analysis in study.analyses for metric in analysis.metrics):
        calls.add("stiffness")
    if with_power:
        calls.add("power")
    if results["p_corrected"].drop_nulls().len():
        calls.add(study.correction)
    return calls


def _is_used(source: Source, results: pl.DataFrame) -> bool:
    rows = results.filter(pl.col("design").is_in(list(source.of)))
    return bool(rows["method"].str.contains(source.said, literal=True).any())

"""What the methods of a study rest on: the works of `sources.toml` that its analyses call for."""

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
    """A work that a method rests on.

    Attributes:
        work: authors, year, title, where it is printed.
        gives: what the study took from it.
        of: what calls for it: a design, a correction, `adjust`, `stiffness` or `power`.
        read_as: seen, or recalled from memory.
        said: what the results' `method` says where it was used; empty where the design always uses it.
    """

    work: str
    gives: str
    of: tuple[str, ...]
    read_as: str
    said: str = ""


@cache
def all_sources() -> tuple[Source, ...]:
    """Every work of the file."""
    given = tomllib.loads(_WORKS.read_text(encoding="utf-8"))["source"]
    return tuple(Source(**one | {"of": tuple(one["of"])}) for one in given)


def sources(study: Study, results: pl.DataFrame, *, with_power: bool) -> list[Source]:
    """The works that the methods of a study rest on, by author.

    Args:
        study: as its file states it.
        results: rows of `pipeline.study.results.Results`: how each number was found.
        with_power: whether numbers of athletes needed are told.
    """
    called = _called_for(study, results, with_power=with_power)
    return sorted(
        (one for one in all_sources() if called.intersection(one.of) and (not one.said or _is_said(one, results))),
        key=lambda one: one.work,
    )


def _called_for(study: Study, results: pl.DataFrame, *, with_power: bool) -> set[str]:
    called = {one.design for one in study.analyses}
    if any(one.adjust for one in study.analyses if one.design in ("paired_windows", "equivalence", "trend", "onset")):
        called.add("adjust")
    if any("stiffness" in metric for one in study.analyses for metric in one.metrics):
        called.add("stiffness")
    if with_power:
        called.add("power")
    if results["p_corrected"].drop_nulls().len():
        called.add(study.correction)
    return called


def _is_said(one: Source, results: pl.DataFrame) -> bool:
    own = results.filter(pl.col("design").is_in(list(one.of)))
    return bool(own["method"].str.contains(one.said, literal=True).any())

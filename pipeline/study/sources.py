"""Sources of the methods of a study: the works that its analyses call for, by `sources.toml`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from pipeline.core.published import works
from pipeline.core.toml import beside
from pipeline.study.results import Statistic
from pipeline.study.study_file import Study


@dataclass(frozen=True)
class Source:
    """A work that a method is taken from.

    Attributes:
        work: its key in `pipeline.core.published`.
        gives: what the study takes from it.
        of: what calls for it: designs, corrections, `adjust`, `between` (groups and covariates), `posterior`,
            `stiffness` or `power`.
        way: which of several ways of the design use it, or how their names begin (`pipeline.study.results.Statistic`);
            empty for all of them.
    """

    work: str
    gives: str
    of: tuple[str, ...]
    way: str = ""

    @property
    def cite(self) -> str:
        """Authors, year, title, where it was published."""
        return works()[self.work].cite


@cache
def all_sources() -> tuple[Source, ...]:
    """All works of the file."""
    return tuple(Source(**source | {"of": tuple(source["of"])}) for source in beside(__file__)["source"])


def sources(study: Study, statistics: Sequence[Statistic], *, is_corrected: bool, with_power: bool) -> list[Source]:
    """The works that the methods of a study are taken from, by author.

    Args:
        statistics: what the study gave.
        is_corrected: whether p-values were corrected for their number.
        with_power: whether the result has numbers of athletes needed.
    """
    calls = {analysis.design for analysis in study.analyses}
    if any(analysis.adjusted_for for analysis in study.analyses):
        calls.add("adjust")
    if any("stiffness" in metric for analysis in study.analyses for metric in analysis.metrics):
        calls.add("stiffness")
    if any(analysis.has_factors or analysis.design == "sections" for analysis in study.analyses):
        calls.add("between")
    if any(analysis.prior_sd_pct for analysis in study.analyses):
        calls.add("posterior")
    if with_power:
        calls.add("power")
    if is_corrected:
        calls.add(study.correction)
    ways = {"", *(statistic.way for statistic in statistics)}
    used = (
        source
        for source in all_sources()
        if calls.intersection(source.of) and any(way.startswith(source.way) for way in ways)
    )
    return sorted(used, key=lambda source: source.cite)

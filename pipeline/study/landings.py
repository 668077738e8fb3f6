"""Analyses of how the foot landed at two distances of an event."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.errors import NothingDone
from pipeline.methods.paired_classes import (
    bowker,
    mcnemar_chi_squared,
    mcnemar_exact,
    mcnemar_mid_p,
    stuart_maxwell,
    wilson,
)
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic, statistics_of
from pipeline.study.study_file import Analysis
from pipeline.tables.observed import STRIKES

Counts = npt.NDArray[np.int64]


def landings(material: Material, analysis: Analysis) -> AnalysisResult:
    """Shares of rearfoot landings early and late among the runners seen at both, and tests for a change.

    All runners of the store's events who were filmed at both distances are included. strikes.csv may name people
    without a recording, so the cohort's conditions on runs do not apply to them.

    Raises:
        NothingDone: no runner was filmed at both.
    """
    assert analysis.early_km is not None and analysis.late_km is not None  # noqa: PT018
    early_km, late_km = analysis.early_km[0], analysis.late_km[0]
    seen = material.strike_shift.filter(pl.col("compared") == "all_classes")
    rows = seen.filter(pl.col("early_km") == early_km, pl.col("late_km") == late_km)
    if rows.is_empty():
        known = [
            f"{early:g} and {late:g}"
            for early, late in seen.select("early_km", "late_km").unique().sort("early_km", "late_km").iter_rows()
        ]
        raise NothingDone(
            f"{analysis.name}: no runner was filmed at both km {early_km:g} and km {late_km:g}. "
            f"Pairs of distances in the store: {', '.join(known) or 'none'}."
        )
    table = cross_table(material, analysis)
    n = int(table.sum())
    about = statistics_of(analysis, None, None)
    note = f"{n} pairs of landings in {rows.height} events; a runner in several events counts in each"
    statistics = []
    counts = {"early": int(table[0].sum()), "late": int(table[:, 0].sum())}
    # Both together: with the statistics of the tests, one count could be computed from the other.
    smallest = _smallest(*counts.values(), *(n - count for count in counts.values()))
    for name, count in counts.items():
        low, high = wilson(count, n)
        statistics.append(
            about(
                statistic=f"share_{name}",
                estimate=count / n,
                low=float(low),
                high=float(high),
                method="share of rearfoot landings; Wilson's interval",
                note=note,
                smallest_cell=smallest,
            )
        )
    return AnalysisResult([*statistics, *_tests(table, about)])


def cross_table(material: Material, analysis: Analysis) -> Counts:
    """Numbers of runners by how they landed early (rows) and late (columns), in the order of `STRIKES`."""
    assert analysis.early_km is not None and analysis.late_km is not None  # noqa: PT018
    rows = material.strike_shift.filter(
        pl.col("compared") == "all_classes",
        pl.col("early_km") == analysis.early_km[0],
        pl.col("late_km") == analysis.late_km[0],
    )
    return np.array(
        [[int(rows[f"n_{before}_to_{after}"].sum()) for after in STRIKES] for before in STRIKES], dtype=np.int64
    )


def _tests(table: Counts, about: Callable[..., Statistic]) -> list[Statistic]:
    """McNemar's tests of rearfoot against all others, then tests of all classes that occur."""
    rear, total = table[0, 0], table.sum()
    to_other, from_other = table[0].sum() - rear, table[:, 0].sum() - rear
    two = np.array([[rear, to_other], [from_other, total - rear - to_other - from_other]])
    # The numbers that a test is computed from are released with it.
    of_two, of_several = _smallest(*two.ravel()), _smallest(*table.ravel())
    occurs = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    tests = {
        "mcnemar_exact": mcnemar_exact(two),
        "mcnemar_mid_p": mcnemar_mid_p(two),
        "mcnemar_continuity": mcnemar_chi_squared(two, continuity=True),
        "mcnemar": mcnemar_chi_squared(two, continuity=False),
    }
    if len(occurs) > 2:
        tests |= {name: test(table[np.ix_(occurs, occurs)]) for name, test in _OF_ALL_CLASSES.items()}
    return [
        about(
            statistic=f"{name}_statistic",
            estimate=test.statistic,
            level=None,
            p_value=test.p_value,
            is_primary=name == "mcnemar_exact",
            smallest_cell=of_several if name in _OF_ALL_CLASSES else of_two,
            way=name,
            method=test.method + (f", {test.degrees_of_freedom} degrees of freedom" if test.degrees_of_freedom else ""),
        )
        for name, test in tests.items()
    ]


_OF_ALL_CLASSES = {"bowker": bowker, "stuart_maxwell": stuart_maxwell}


def _smallest(*counts: int) -> int | None:
    """The smallest count that is not zero."""
    return min((int(count) for count in counts if count), default=None)

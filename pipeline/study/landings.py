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
from pipeline.study.results import Found, Outcome, found_in
from pipeline.study.study_file import Analysis
from pipeline.tables.observed import STRIKES

Counts = npt.NDArray[np.int64]


def landings(material: Material, analysis: Analysis) -> Outcome:
    """Shares of rearfoot landings early and late among the runners seen at both, and tests for a change.

    Runners of all events of the store that were filmed at both distances enter; strikes.csv may name people of whom
    there is no recording, so the cohort's conditions on runs do not apply to them.

    Raises:
        NothingDone: nobody was seen at both.
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
            f"{analysis.name}: nobody was filmed at both km {early_km:g} and km {late_km:g}. "
            f"Pairs of distances in the store: {', '.join(known) or 'none'}."
        )  # fmt: skip
    table = np.array(
        [[int(rows[f"n_{before}_to_{after}"].sum()) for after in STRIKES] for before in STRIKES], dtype=np.int64
    )
    n = int(table.sum())
    about = found_in(analysis, None, None)
    note = f"{n} pairs of landings in {rows.height} events; who ran several counts in each"
    found = []
    counts = {"early": int(table[0].sum()), "late": int(table[:, 0].sum())}
    # Both together: with the tests' numbers the one could be counted back from the other.
    smallest = _smallest(*counts.values(), *(n - count for count in counts.values()))
    for name, count in counts.items():
        low, high = wilson(count, n)
        found.append(
            about(
statistic=f"share_{name}", estimate=count / n, low=float(low), high=float(high),
                method="share of rearfoot landings; Wilson's interval", note=note,
                smallest_cell=smallest,
            )
        )  # fmt: skip
    return Outcome([*found, *_tests(table, about)])


def _tests(table: Counts, about: Callable[..., Found]) -> list[Found]:
    """McNemar of rearfoot against the rest, exact first; then all classes that occur, together."""
    rear, total = table[0, 0], table.sum()
    to_other, from_other = table[0].sum() - rear, table[:, 0].sum() - rear
    two = np.array([[rear, to_other], [from_other, total - rear - to_other - from_other]])
    changed = total - int(np.trace(table))
    # Of tests of two classes both numbers of people who changed follow; of those of several, with these, the rest.
    of_two, of_several = _smallest(to_other, from_other), _smallest(changed, changed - to_other - from_other)
    occurs = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    told = {
        "mcnemar_exact": mcnemar_exact(two),
        "mcnemar_mid_p": mcnemar_mid_p(two),
        "mcnemar_continuity": mcnemar_chi_squared(two, continuity=True),
        "mcnemar": mcnemar_chi_squared(two, continuity=False),
    }
    if len(occurs) > 2:
        told |= {
            name: test(table[np.ix_(occurs, occurs)])
            for name, test in (("bowker", bowker), ("stuart_maxwell", stuart_maxwell))
        }
    return [
        about(
statistic=f"{name}_statistic", estimate=one.statistic, level=None, p_value=one.p_value,
            is_primary=name == "mcnemar_exact",
            smallest_cell=of_two if name.startswith("mcnemar") else _smallest(of_two or 0, of_several or 0),
            method=one.method + (f", {one.degrees_of_freedom} degrees of freedom" if one.degrees_of_freedom else ""),
        )
        for name, one in told.items()
    ]  # fmt: skip


def _smallest(*counts: int) -> int | None:
    """The smallest count that is not zero."""
    return min((int(count) for count in counts if count), default=None)

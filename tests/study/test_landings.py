from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.contingency_tables import SquareTable, mcnemar
from statsmodels.stats.proportion import proportion_confint

from pipeline.core.errors import NothingDone
from pipeline.study.landings import landings
from pipeline.study.material import Material
from pipeline.study.results import Statistic
from pipeline.study.study_file import Analysis
from pipeline.tables import TABLES
from pipeline.tables.observed import STRIKES
from tests.support.cohorts import cohort_of

FILMED = Analysis("feet", "landing", early_km=(5.0, 5.0), late_km=(15.0, 15.0))
#: Early by row, late by column; of each event.
SPRING = np.array([[10, 1, 0, 1], [6, 4, 1, 0], [3, 2, 5, 0], [1, 0, 0, 1]])
AUTUMN = np.array([[7, 0, 1, 0], [2, 3, 0, 1], [0, 1, 2, 0], [0, 0, 1, 0]])


def filmed(**events: np.ndarray) -> Material:
    names = TABLES["strike_shift"].column_names()
    rows = [
        dict.fromkeys(names)
        | {"event": event, "early_km": 5.0, "late_km": 15.0, "compared": compared, "n_pairs": int(table.sum())}
        | {
            f"n_{before}_to_{after}": int(table[i, j])
            for i, before in enumerate(STRIKES)
            for j, after in enumerate(STRIKES)
        }
        for event, table in events.items()
        # The same pairs stand in the table once for each way to compare them; they count once.
        for compared in ("all_classes", "rearfoot")
    ]
    return cohort_of(lambda *_: 240.0, strike_shift=pl.DataFrame(rows))


def by_name(material: Material) -> dict[str, Statistic]:
    return {statistic.statistic: statistic for statistic in landings(material, FILMED).statistics}


def test_shares_are_of_the_pairs_of_all_events_with_the_interval_of_statsmodels():
    rows, table = by_name(filmed(spring=SPRING, autumn=AUTUMN)), SPRING + AUTUMN
    for name, count in (("share_early", table[0].sum()), ("share_late", table[:, 0].sum())):
        low, high = proportion_confint(count, table.sum(), method="wilson")
        assert rows[name].estimate == pytest.approx(count / table.sum())
        assert (rows[name].low, rows[name].high) == pytest.approx((low, high))
    assert rows["share_early"].note == "53 pairs of landings in 2 events; a runner in several events counts in each"


def test_mcnemar_of_rearfoot_against_the_rest_is_that_of_statsmodels():
    rows, table = by_name(filmed(spring=SPRING, autumn=AUTUMN)), SPRING + AUTUMN
    two = np.array([[17, 3], [12, 21]])  # by hand: of 20 rearfoot early 3 left it, of 33 others 12 came to it
    assert table.sum() == two.sum()
    exact, plain = mcnemar(two, exact=True), mcnemar(two, exact=False, correction=False)
    corrected = mcnemar(two, exact=False, correction=True)
    assert rows["mcnemar_exact_statistic"].p_value == pytest.approx(exact.pvalue)
    assert rows["mcnemar_statistic"].estimate == pytest.approx(plain.statistic)
    assert rows["mcnemar_continuity_statistic"].estimate == pytest.approx(corrected.statistic)
    assert [statistic.statistic for statistic in rows.values() if statistic.is_primary] == ["mcnemar_exact_statistic"]


def test_all_classes_together_are_those_of_statsmodels():
    rows, square = by_name(filmed(spring=SPRING, autumn=AUTUMN)), SquareTable(SPRING + AUTUMN, shift_zeros=False)
    assert rows["bowker_statistic"].p_value == pytest.approx(square.symmetry().pvalue, rel=1e-6)
    assert rows["stuart_maxwell_statistic"].p_value == pytest.approx(square.homogeneity().pvalue, rel=1e-6)


def test_with_two_classes_there_is_nothing_but_mcnemar():
    two = np.zeros((4, 4), dtype=int)
    two[:2, :2] = [[5, 1], [4, 3]]
    assert not {name for name in by_name(filmed(spring=two)) if name.startswith(("bowker", "stuart"))}


@pytest.mark.parametrize(
    ("material", "pairs"),
    [(filmed(spring=SPRING), "5 and 15"), (cohort_of(lambda *_: 240.0), "none")],
    ids=["elsewhere", "never"],
)
def test_where_nobody_was_filmed_at_both_the_distances_there_are_are_told(material: Material, pairs: str):
    with pytest.raises(NothingDone) as raised:
        landings(material, Analysis("feet", "landing", early_km=(10.0, 10.0), late_km=(32.0, 32.0)))
    assert str(raised.value) == (
        f"feet: no runner was filmed at both km 10 and km 32. Pairs of distances in the store: {pairs}."
    )


# --- Few people ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "shares", "of_two", "of_several"),
    [
        # Of 9 rearfoot and 6 others early 2 and 5 changed; one of the others stayed.
        ([[7, 2, 0, 0], [5, 1, 0, 0], [0, 0, 0, 0], [0, 0, 0, 0]], 3, 1, None),
        # One changed between midfoot and forefoot: of two classes all groups are larger.
        ([[7, 4, 0, 0], [5, 4, 1, 0], [0, 0, 4, 0], [0, 0, 0, 0]], 11, 4, 1),
        # Nobody changed from the rearfoot: nobody is no small group.
        ([[7, 0, 0, 0], [5, 3, 0, 0], [0, 0, 4, 0], [0, 0, 0, 0]], 7, 5, 3),
    ],
)
def test_each_number_knows_the_smallest_group_that_it_can_be_counted_back_to(
    table: list, shares: int, of_two: int, of_several: int | None
):
    rows = by_name(filmed(spring=np.array(table)))
    assert rows["share_early"].smallest_cell == rows["share_late"].smallest_cell == shares
    assert rows["mcnemar_exact_statistic"].smallest_cell == rows["mcnemar_statistic"].smallest_cell == of_two
    assert ("bowker_statistic" in rows) is (of_several is not None)
    if of_several is not None:
        assert rows["bowker_statistic"].smallest_cell == rows["stuart_maxwell_statistic"].smallest_cell == of_several

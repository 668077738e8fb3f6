"""The registry of quantities agrees with the tables, and with itself."""

from __future__ import annotations

import pytest

from pipeline.core.metrics import METRICS, QUANTITIES, READING_OF, Metric, Quantity
from pipeline.core.settings import Settings
from pipeline.inbox.lists import LISTS
from pipeline.tables import TABLES, unit_of

SPLITS, SAMPLES = TABLES["splits"].columns(), TABLES["samples"].columns()


@pytest.mark.parametrize("name", ["column", "label", "meaning"])
def test_no_two_quantities_share(name: str):
    assert len({getattr(one, name) for one in QUANTITIES}) == len(QUANTITIES)


@pytest.mark.parametrize("quantity", QUANTITIES, ids=lambda one: one.column)
def test_a_quantity_is_a_column_of_splits_and_a_reading_also_of_samples(quantity: Quantity):
    assert quantity.column in SPLITS
    assert quantity.is_reading is (quantity.column in SAMPLES)
    assert (quantity.column in READING_OF) is quantity.is_reading


@pytest.mark.parametrize("metric", METRICS, ids=lambda one: one.column)
def test_a_metric_has_the_unit_of_its_column_and_no_more_decimals(metric: Metric):
    column = SPLITS[metric.column]
    assert metric.unit == unit_of(column)
    assert metric.decimals <= column.metadata["decimals"]


@pytest.mark.parametrize("quantity", QUANTITIES, ids=lambda one: one.column)
def test_what_a_quantity_is_computed_from_exists(quantity: Quantity):
    assert set(quantity.derived_from) <= {*SPLITS, *LISTS["roster.csv"]}


def test_pictures_have_an_order():
    assert len({metric.picture_rank for metric in METRICS}) == len(METRICS)


def test_the_setting_gives_every_smallest_change_and_its_source():
    assert Settings().smallest_change_pct == {metric.column: metric.smallest_change_pct for metric in METRICS}
    (reason,) = (reason for name, _, _, reason in Settings().describe() if name == "smallest_change_pct")
    for metric in METRICS:
        sentence = next(one for one in reason.split(". ") if metric.label in one.lower().partition(":")[0])
        assert metric.smallest_change_source[:20] in sentence

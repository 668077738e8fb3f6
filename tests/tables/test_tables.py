"""The tables: what publishing does to rows, and that every column says what it is."""

from __future__ import annotations

import re

import polars as pl
import pytest

from pipeline import STAGES
from pipeline.core.errors import BrokenPromise
from pipeline.tables import PARTITIONED, TABLES, decimals_of, empty, meaning_of, publishable, unit_of

COLUMNS = [(table, name, column) for table, schema in TABLES.items() for name, column in schema.columns().items()]


def exclusions(**columns: list[object]) -> pl.DataFrame:
    rows = {
        "run_id": ["b", "a"], "quantity": ["sample"] * 2, "reason": ["late"] * 2, "fault": ["no_reading"] * 2,
        "n_samples": [1, 2], **columns,
    }  # fmt: skip
    return pl.DataFrame(rows)


def trend(**columns: list[object]) -> pl.DataFrame:
    rows = {
        "athlete_id": ["ari"], "metric": ["cadence_spm"], "month": ["2026-03"], "drift_pct_per_10km": [1.0],
        "drift_low": [0.5], "drift_high": [1.5], "n_runs": [2], **columns,
    }  # fmt: skip
    return pl.DataFrame(rows)


# --- Publishing ------------------------------------------------------------------------------------------------------


def test_rows_are_put_in_order_of_the_key_and_columns_in_order_of_the_table():
    rows = publishable(
        "exclusions", exclusions().select("n_samples", "fault", "reason", "quantity", "run_id"), subject="ari"
    )
    assert rows.columns == TABLES["exclusions"].column_names()
    assert rows["run_id"].to_list() == ["a", "b"]


def test_columns_that_the_table_does_not_have_are_left_out():
    assert publishable("exclusions", exclusions(more=[1, 2]), subject="ari").columns == empty("exclusions").columns


def test_an_absent_column_becomes_null_where_null_is_allowed():
    runs = publishable("runs", empty("runs").drop("kind", "device"), subject="ari")
    assert runs.schema == empty("runs").schema


def test_an_absent_column_that_must_not_be_null_is_our_bug_and_names_the_subject():
    with pytest.raises(
        BrokenPromise, match=r"^ari: stage output for table exclusions lacks the columns \['reason'\]\.$"
    ):
        publishable("exclusions", exclusions().drop("reason"), subject="ari")


@pytest.mark.parametrize(
    ("value", "published"),
    [(1.2344, 1.234), (1.2346, 1.235), (-0.0004, 0.0), (-0.0, 0.0), (-0.0006, -0.001)],
)
def test_measures_are_rounded_to_their_decimals_and_zero_has_no_sign(value: float, published: float):
    row = publishable("season_trend", trend(drift_low=[value]), subject="ari")["drift_low"][0]
    assert str(row) == str(published)


def test_zero_has_no_sign_in_several_rows_either():
    # Polars adds zero to a column of one row, and to one of several not at all.
    rows = empty("run_drift").clear(2).with_columns(
        run_id=pl.lit("a"), athlete_id=pl.lit("ari"), metric=pl.Series(["cadence_spm", "contact_time_ms"]),
        n_splits=pl.lit(0), drift_low=pl.Series([-0.0004, -0.0]), within_run_se_pct_per_10km=pl.Series([-1e-9, -0.0]),
    )  # fmt: skip
    published = publishable("run_drift", rows, subject="ari")
    for column in ("drift_low", "within_run_se_pct_per_10km"):
        assert published[column].cast(pl.String).to_list() == ["0.0", "0.0"]


def test_what_is_no_number_is_null():
    drift = empty("run_drift").clear(1).with_columns(
        run_id=pl.lit("a"), athlete_id=pl.lit("ari"), metric=pl.lit("cadence_spm"), n_splits=pl.lit(0),
        drift_low=pl.lit(float("nan")),
    )  # fmt: skip
    assert publishable("run_drift", drift, subject="ari")["drift_low"].to_list() == [None]


@pytest.mark.parametrize(
    ("rows", "rule"),
    [
        (exclusions(n_samples=[0, 1]), "n_samples"),  # at least 1
        (exclusions(reason=[None, "late"]), "reason"),  # not null
        (exclusions(run_id=["a", "a"]), "primary_key"),
    ],
)
def test_a_broken_rule_is_our_bug_and_names_subject_table_and_rule(rows: pl.DataFrame, rule: str):
    with pytest.raises(BrokenPromise) as caught:
        publishable("exclusions", rows, subject="athlete ari")
    message = str(caught.value)
    assert message.startswith("athlete ari: rows for table exclusions break a rule of the table: ")
    assert rule in message
    assert "\n" not in message
    assert "plan" not in message


@pytest.mark.parametrize("drift", [float("inf"), float("-inf")])
def test_an_infinite_measure_breaks_a_rule(drift: float):
    with pytest.raises(BrokenPromise, match="drift_low"):
        publishable("season_trend", trend(drift_low=[drift]), subject="ari")


@pytest.mark.parametrize("p_value", [1.0, float("nan")])
def test_what_is_no_number_breaks_a_rule_where_nothing_is_rounded(p_value: float):
    columns = TABLES["strike_shift"].columns()
    assert decimals_of(columns["p_value"]) is None
    given = {"compared": "all_classes", "method": "Bowker", "n_pairs": 1, "p_value": p_value}
    rows = empty("strike_shift").clear(1).with_columns(
        pl.lit(given.get(name, 0)).cast(column.dtype).alias(name)
        for name, column in columns.items()
        if not column.nullable
    )  # fmt: skip
    if p_value == 1:
        assert publishable("strike_shift", rows, subject="the club")["p_value"].to_list() == [1]
    else:
        with pytest.raises(BrokenPromise, match="p_value nan"):
            publishable("strike_shift", rows, subject="the club")


@pytest.mark.parametrize(("p_value", "is_kept"), [(0.0, True), (1.0, True), (-0.0001, False), (1.0001, False)])
def test_the_ends_of_a_range_belong_to_it(p_value: float, is_kept: bool):
    rows = empty("athlete_drift").clear(1).with_columns(
        athlete_id=pl.lit("ari"), metric=pl.lit("cadence_spm"), n_runs=pl.lit(0), n_splits=pl.lit(0),
        finding=pl.lit("unclear"), p_value=pl.lit(p_value),
    )  # fmt: skip
    if is_kept:
        assert publishable("athlete_drift", rows, subject="ari")["p_value"].to_list() == [p_value]
    else:
        with pytest.raises(BrokenPromise, match="p_value"):
            publishable("athlete_drift", rows, subject="ari")


@pytest.mark.parametrize("fault", ["lost", None])
def test_rows_that_break_no_other_rule_are_refused_for_a_word(fault: str | None):
    rows = exclusions(run_id=["a", "b"], fault=["no_reading", fault])
    with pytest.raises(BrokenPromise, match="fault"):
        publishable("exclusions", rows, subject="athlete ari")


def test_a_word_outside_the_choices_is_a_broken_rule():
    ledger = empty("recordings").clear(1).with_columns(
        path=pl.lit("a"), session=pl.lit(1), sha256=pl.lit(""), status=pl.lit("lost"), reason=pl.lit(""),
        n_samples=pl.lit(0),
    )  # fmt: skip
    with pytest.raises(BrokenPromise, match=r"the ledger: .*status"):
        publishable("recordings", ledger, subject="the ledger")


def test_publishing_twice_changes_nothing():
    once = publishable("season_trend", trend(drift_low=[0.12345]), subject="ari")
    assert publishable("season_trend", once, subject="ari").equals(once)


def test_an_empty_table_can_be_published():
    for table in TABLES:
        assert publishable(table, empty(table), subject="nobody").schema == empty(table).schema, table


# --- Meaning ---------------------------------------------------------------------------------------------------------


def words(text: str) -> set[str]:
    return set(re.findall(r"[a-z0-9]+", text.lower())) - {"the", "a", "an", "of", "its", "in", "is", "this", "id"}


def test_a_description_adds_to_the_name():
    for table, name, column in COLUMNS:
        text = column.description or ""
        assert text.endswith("."), f"{table}.{name}: a meaning is a sentence"
        # Identifiers of another table may be short ("The run."); everything else says more than its name does.
        if not name.endswith("_id"):
            assert words(text) - words(name.replace("_", " ")), f"{table}.{name}: the meaning repeats the name"
        assert not re.search(r"\b(todo|tbd|fixme)\b|\?", text.lower()), f"{table}.{name}"


def test_every_measure_has_a_unit_and_decimals():
    for table, name, column in COLUMNS:
        if column.dtype.is_float():
            assert unit_of(column), f"{table}.{name} has no unit"
            assert decimals_of(column) is not None or "Not rounded." in column.description, f"{table}.{name}"
        else:
            assert decimals_of(column) is None, f"{table}.{name}"


#: Ending of a name = the unit that it promises.
PROMISES = {
    "_m": "m", "_km": "km", "_s": "s", "_ms": "ms", "_mm": "mm", "_spm": "steps/min", "_m_s": "m/s",
    "_bpm": "beats/min", "_kn_m": "kN/m", "_n": "N", "_deg": "degrees",
}  # fmt: skip


def test_the_unit_is_the_one_that_the_name_promises():
    for table, name, column in COLUMNS:
        if column.dtype.is_float():
            ending = max((one for one in PROMISES if name.endswith(one)), key=len, default=None)
            if ending is not None:
                assert unit_of(column) == PROMISES[ending], f"{table}.{name}"
            if "_pct" in name:
                assert unit_of(column).startswith("%"), f"{table}.{name}"


def test_every_table_has_a_key_and_says_what_a_row_is():
    for table in TABLES:
        assert TABLES[table].primary_key(), table
        assert meaning_of(table).endswith("."), table
        assert TABLES[table].__name__ == "".join(word.title() for word in table.split("_")), table


def test_every_table_is_written_by_a_stage_and_every_stage_writes_tables():
    assert {table for stage in STAGES for table in stage.writes} == set(TABLES)
    assert set(PARTITIONED) <= set(TABLES)

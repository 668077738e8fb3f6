"""Tables in the terminal: in words, in order, and never with more than was measured."""

from __future__ import annotations

import polars as pl
import pytest
from rich.console import Console, RenderableType

from pipeline.commands.show import (
    MOST_ROWS,
    MOST_SINGLE_RUNS,
    MOST_WITH_NUMBERS,
    WIDE,
    club_summary,
    in_words,
    table_as_it_is,
)
from pipeline.core.metrics import METRICS
from pipeline.tables import TABLES, empty, publishable
from pipeline.tables.analysed import FINDINGS
from tests.support.demo_store import Refreshed


def printed(renderable: RenderableType, width: int = 200) -> str:
    console = Console(width=width, color_system=None)
    with console.capture() as caught:
        console.print(renderable)
    return caught.get()


def lines_with(text: str, word: str) -> list[str]:
    """Lines that hold a word, without the frame, each with single blanks."""
    return [" ".join(line.replace("│", " ").split()) for line in text.splitlines() if word in line]


# --- The club --------------------------------------------------------------------------------------------------------

RISES = {
    "n_runs": 9, "n_splits": 99, "fresh_level": 240.04, "raw_pct_per_10km": 5.25, "speed_part_pct": 1.96,
    "slope_part_pct": -0.34, "drift_pct_per_10km": 3.46, "drift_low": 2.04, "drift_high": 4.96, "finding": "rises",
}  # fmt: skip


def drifts(*rows: dict[str, object]) -> pl.DataFrame:
    given = [{"athlete_id": "ari", "metric": "contact_time_ms", **RISES, **row} for row in rows]
    return publishable("athlete_drift", pl.DataFrame(given, infer_schema_length=None), subject="test")


def runs(*athletes: str) -> pl.DataFrame:
    rows = [{"run_id": f"{name}-{n}", "athlete_id": name} for n, name in enumerate(athletes)]
    return pl.DataFrame(rows, schema={"run_id": pl.String, "athlete_id": pl.String})


def test_the_numbers_of_an_athlete_stand_with_sign_unit_and_interval():
    (line,) = lines_with(printed(club_summary(drifts({}), runs("ari"))), "240")
    assert line == "ari contact time 9 240.0 ms +5.2 +2.0 -0.3 +3.5 +2.0 to +5.0 rises"


def test_at_a_glance_an_athlete_has_a_line_with_what_rises_falls_and_is_steady():
    club = drifts(
        {},
        {"metric": "cadence_spm", "drift_pct_per_10km": -2.5, "finding": "falls"},
        {"metric": "heart_rate_bpm", "finding": "holds"},
        {"metric": "duty_factor", "finding": "unclear"},
    )
    (line,) = lines_with(printed(club_summary(club, runs("ari", "ari"))), "duty factor")
    assert line == "ari 2 contact time +3.5 % cadence -2.5 % heart rate duty factor"


def test_a_late_change_has_a_column_of_its_own_where_there_is_one():
    late = {"finding": "changes_late", "onset_km": 9.2, "onset_low": 7.6, "onset_high": 11.4}
    club = drifts({"metric": "cadence_spm"}, late | {"drift_after_onset_pct": 5.04})
    text = printed(club_summary(club, runs("ari")))
    assert [*lines_with(text, "cannot tell yet")[0].replace("┃", " ").split()][2:6] == [
        "rises",
        "falls",
        "changes",
        "late",
    ]
    assert "ari 1 cadence +3.5 % contact time +5.0 % beyond km 9.2" in lines_with(text, "ari ")
    assert "changes late" not in printed(club_summary(drifts({}), runs("ari")))


def test_an_onset_is_told_where_one_was_found():
    broken = {"onset_km": 9.2, "onset_low": 7.6, "onset_high": 11.4, "drift_after_onset_pct": 5.04}
    text = printed(club_summary(drifts(broken), runs("ari")))
    assert "contact time +5.0 % beyond km 9.2" in text
    assert "+3.5 %" not in text
    assert "rises from km 9.2 (7.6 to 11.4), +5.0 beyond" in text


def test_an_athlete_without_any_measured_metric_is_listed_and_told_why():
    text = printed(club_summary(drifts({}), runs("ari", "moss")))
    assert lines_with(text, "moss") == ["moss 1 no cadence, contact time or heart rate recorded"]


def test_an_athlete_whose_reading_was_excluded_is_told_why():
    nothing = dict.fromkeys(name for name in RISES if name.endswith(("pct", "km", "low", "high", "level")))
    missing = {
        **nothing, "metric": "cadence_spm", "n_runs": 0, "drift_pct_per_10km": None, "raw_pct_per_10km": None,
        "finding": "too_little_data", "suspicion": "one_foot_counted",
    }  # fmt: skip
    text = printed(club_summary(drifts(missing), runs("ari")))
    assert lines_with(text, "ari ") == ["ari 1 cadence excluded: looks like one foot counted"]
    text = printed(club_summary(drifts({"suspicion": "stuck"}), runs("ari")))
    assert len(lines_with(text, "contact time excluded in part: stuck at one value")) == 1


def test_readings_excluded_for_one_reason_share_it_and_what_is_too_little_is_said_with_it():
    nothing = dict.fromkeys(name for name in RISES if name.endswith(("pct", "km", "low", "high", "level")))
    few = {
        **nothing, "n_runs": 2, "drift_pct_per_10km": None, "raw_pct_per_10km": None, "finding": "too_little_data",
        "suspicion": "stuck",
    }  # fmt: skip
    text = printed(club_summary(drifts({**few, "metric": "cadence_spm"}, few), runs("ari", "ari", "ari")))
    assert "too few runs; cadence, contact time excluded in part: stuck at one value" in text


def test_an_athlete_with_too_few_runs_is_listed_without_numbers():
    nothing = dict.fromkeys(name for name in RISES if name.endswith(("pct", "km", "low", "high", "level")))
    few = {**nothing, "n_runs": 2, "drift_pct_per_10km": None, "raw_pct_per_10km": None, "finding": "too_little_data"}
    text = printed(club_summary(drifts(few), runs("ari", "ari")))
    assert lines_with(text, "ari ") == ["ari 2 too few runs"]


def test_a_name_from_the_roster_stands_before_the_id_unless_it_is_the_same():
    roster = pl.DataFrame({"athlete_id": ["ari", "bo", "cy"], "display_name": ["Ari", "Bo of the Hill", None]})
    club = drifts({}, {"athlete_id": "bo"}, {"athlete_id": "cy"})
    text = printed(club_summary(club, runs("ari", "bo", "cy"), roster))
    assert "Bo of the Hill (bo)" in text
    assert "Ari (ari)" not in text
    assert len(lines_with(text, "cy ")) == 2


def test_markup_in_names_is_shown_and_not_obeyed():
    roster = pl.DataFrame({"athlete_id": ["ari"], "display_name": ["[red]Ari[/red]"]})
    assert "[red]Ari[/red]" in printed(club_summary(drifts({}), runs("ari"), roster))


def test_the_summary_says_that_it_is_no_advice(demo: Refreshed):
    text = printed(club_summary(demo.table("athlete_drift"), demo.table("runs")))
    assert "are no advice. Pain, or a change after an injury, belongs with a physiotherapist or doctor." in text
    for athlete_id in demo.table("runs")["athlete_id"].unique():
        assert lines_with(text, athlete_id)


@pytest.mark.parametrize(("n_athletes", "tables"), [(MOST_WITH_NUMBERS, 2), (MOST_WITH_NUMBERS + 1, 1)])
def test_a_club_too_large_for_its_numbers_is_shown_at_a_glance_and_told_where_they_are(n_athletes: int, tables: int):
    names = [f"runner-{n:02}" for n in range(n_athletes)]
    text = printed(club_summary(drifts(*({"athlete_id": name} for name in names)), runs(*names)))
    assert [len(lines_with(text, name)) for name in names] == [tables] * n_athletes
    assert lines_with(text, names[-1])[0] == f"{names[-1]} 1 contact time +3.5 %"
    assert ("The numbers of 41 athletes are in the workbook (here: of 40 at most)." in " ".join(text.split())) == (
        tables == 1
    )
    assert (
        "'steady' means that whatever change there is at the same pace and slope is smaller than matters"
        in " ".join(text.split())
    )


def test_the_summary_fits_the_width_that_files_get(demo: Refreshed):
    text = printed(club_summary(demo.table("athlete_drift"), demo.table("runs")), width=160)
    assert "…" not in text
    assert max(map(len, text.splitlines())) <= 160


@pytest.mark.parametrize("finding", FINDINGS)
def test_every_finding_has_words_without_underscores(finding: str):
    assert "_" not in in_words({"finding": finding, "onset_km": None})


# --- Any table -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", TABLES)
def test_every_table_can_be_shown_and_says_how_many_rows_it_has(demo: Refreshed, table: str):
    rows = demo.table(table).head(MOST_ROWS)
    assert f"{rows.height} rows" in printed(table_as_it_is(table, rows), width=2000)


def test_of_a_long_table_the_first_rows_are_shown_and_the_rest_counted():
    rows = pl.DataFrame(
        {"run_id": [f"run-{n:03}" for n in range(MOST_ROWS + 5)], "quantity": "sample", "reason": "late"}
    )
    text = printed(table_as_it_is("exclusions", rows.with_columns(n_samples=1)))
    assert "and 5 more rows" in text
    assert f"run-{MOST_ROWS - 1:03}" in text
    assert f"run-{MOST_ROWS:03}" not in text


def test_numbers_have_the_decimals_of_their_column_and_nothing_stands_for_null():
    rows = empty("season_trend").clear(1).with_columns(
        athlete_id=pl.lit("ari"), metric=pl.lit("cadence_spm"), month=pl.lit("2026-03"), drift_pct_per_10km=pl.lit(1.5)
    )  # fmt: skip
    (line,) = lines_with(printed(table_as_it_is("season_trend", rows)), "ari")
    assert line == "ari cadence_spm 2026-03 1.500"


def test_a_table_wider_than_the_terminal_is_shown_in_parts_that_fit(demo: Refreshed):
    rows = demo.table("athlete_drift").head(3)
    lines = printed(table_as_it_is("athlete_drift", rows, width=100), width=100).splitlines()
    heads = [line.replace("┃", " ").split() for line in lines if "athlete_id" in line]
    assert max(map(len, lines)) <= 100
    assert len(heads) > 1
    assert all(head[:2] == ["athlete_id", "metric"] for head in heads)
    assert [column for head in heads for column in head[2:]] == [
        column for column in rows.columns if column not in ("athlete_id", "metric")
    ]


def test_an_empty_table_is_shown_as_such():
    assert "0 rows" in printed(table_as_it_is("runs", empty("runs")))


def test_labels_of_metrics_are_told_apart():
    assert len({metric.label for metric in METRICS}) == len(METRICS)


def test_a_narrow_window_keeps_who_what_and_the_words():
    group = club_summary(drifts({}), runs("ari"), width=WIDE - 1)
    text = printed(group)
    assert "same pace" in text
    assert "in words" in text
    # The legend speaks of it either way; the column is headed by it only where there is room.
    assert text.count("fresh level") == 1
    assert printed(club_summary(drifts({}), runs("ari"), width=WIDE)).count("fresh level") == 2


# --- Too few runs ----------------------------------------------------------------------------------------------------


def singles(*rows: dict[str, object]) -> pl.DataFrame:
    given = {"athlete_id": "ari", "metric": "contact_time_ms", "n_splits": 9, "unadjusted_pct_per_10km": 3.14}
    given |= {"unadjusted_low": -0.2, "unadjusted_high": 6.5}
    return publishable("single_runs", pl.DataFrame([given | row for row in rows]), subject="test")


def test_with_too_few_runs_the_real_reason_and_each_runs_own_change_are_shown_and_named_unadjusted():
    few = {"finding": "too_little_data", "n_runs": 1, "reason": "1 of the 3 runs needed have 4 usable splits"}
    other = {**few, "metric": "heart_rate_bpm", "n_runs": 0, "reason": "0 of the 3 runs needed have 4 usable splits"}
    numbers = dict.fromkeys(("drift_pct_per_10km", "drift_low", "drift_high", "raw_pct_per_10km"), None)
    shown = printed(
        club_summary(drifts(few | numbers, other | numbers), runs("ari"), single_runs=singles({"run_id": "r"}))
    )
    assert "too few runs: 1 of the 3 runs needed have 4 usable splits" in " ".join(shown.replace("│", " ").split())
    assert "unadjusted (pace and hills in it)" in shown
    assert lines_with(shown, "run r:") == ["ari, run r: contact time +3.1 % (-0.2 to +6.5)"]


def test_many_single_runs_are_cut_short():
    rows = singles(*({"run_id": f"r{number:02}"} for number in range(MOST_SINGLE_RUNS + 5)))
    shown = printed(club_summary(drifts({}), runs("ari"), single_runs=rows))
    assert len(lines_with(shown, "ari, run r")) == MOST_SINGLE_RUNS
    assert "and 5 more runs; `splitdrift show single_runs`" in shown
    assert "unadjusted" not in printed(club_summary(drifts({}), runs("ari"), single_runs=rows.clear()))

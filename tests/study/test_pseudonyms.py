from __future__ import annotations

import hmac
from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.core.errors import UsageError
from pipeline.study.pseudonyms import COLUMNS, MOST_WEEKS, pseudonymised, released
from pipeline.study.study_reader import read_study
from pipeline.tables import TABLES

KEY, OTHER_KEY = b"one key", b"another key"
RUNS = pl.DataFrame(
    [
        ("ari-1", "ari", datetime(2026, 3, 1, 9, tzinfo=UTC), "race", "road", "blue 1234567"),
        ("ari-2", "ari", datetime(2026, 3, 8, 9, tzinfo=UTC), "race", "sand", "blue 1234567"),
        ("bo-1", "bo", datetime(2026, 3, 1, 9, tzinfo=UTC), "race", "road", "red 7654321"),
        ("cy-1", "cy", datetime(2026, 3, 1, 9, tzinfo=UTC), "test", "road", "blue 1234567"),
    ],
    schema=["run_id", "athlete_id", "started_at_utc", "kind", "surface", "device"],
    orient="row",
)
SPLITS = pl.DataFrame(
    [(run_id, athlete_id, km, 170.0 + km) for run_id, athlete_id, *_ in RUNS.iter_rows() for km in (1, 2)],
    schema=["run_id", "athlete_id", "km", "cadence_spm"],
    orient="row",
).with_columns(
    pl.lit(None, dtype=column.dtype).alias(name)
    for name, column in TABLES["splits"].columns().items()
    if name not in ("run_id", "athlete_id", "km", "cadence_spm")
)  # fmt: skip


def given_out(key: bytes = KEY, least_cell: int = 2) -> pl.DataFrame:
    return pseudonymised(SPLITS, RUNS, key, least_cell=least_cell)


def test_no_name_id_date_or_device_is_left():
    text = given_out().write_csv()
    assert all(word not in text for word in ("ari", "bo-1", "cy", "2026-03-01", "blue", "red", "1234567"))
    assert given_out().columns == list(COLUMNS)


def test_splits_of_an_athlete_and_of_a_run_stay_together():
    rows = given_out()
    assert rows["athlete"].n_unique() == 3
    assert rows.group_by("run").agg(pl.col("athlete").n_unique())["athlete"].to_list() == [1, 1, 1, 1]
    assert rows.group_by("run").len()["len"].to_list() == [2, 2, 2, 2]


def test_the_same_key_gives_the_same_pseudonyms_and_another_key_others():
    assert given_out().equals(given_out())
    assert not set(given_out()["athlete"]) & set(given_out(OTHER_KEY)["athlete"])


def test_dates_move_by_whole_weeks_as_many_for_all_runs_of_an_athlete():
    rows = given_out()
    two = rows.group_by("athlete").agg(pl.col("ran_on").unique().sort()).filter(pl.col("ran_on").list.len() == 2)
    first, second = (date.fromisoformat(day) for day in two["ran_on"][0])
    assert (second - first).days == 7
    weeks = (first - date(2026, 3, 1)).days / 7
    assert weeks == int(weeks)
    assert 1 <= abs(weeks) <= MOST_WEEKS


def test_nobody_keeps_the_dates_whatever_the_key():
    one_run_each = RUNS.filter(pl.col("athlete_id") != "ari")
    for number in range(200):
        rows = pseudonymised(SPLITS, one_run_each, f"key {number}".encode(), least_cell=1)
        assert rows["athlete"].n_unique() == 2
        assert "2026-03-01" not in rows["ran_on"]


def test_what_fewer_athletes_share_than_the_study_allows_is_left_out():
    rows = given_out(least_cell=2).unique(["run", "kind", "surface", "device"])
    assert sorted(rows["kind"].to_list(), key=str) == [None, None, "race", "race"]
    assert sorted(rows["surface"].to_list(), key=str) == [None, None, "road", "road"]
    assert rows["device"].to_list() == [None] * 4  # with kind and surface nobody shares one
    assert sorted(given_out(least_cell=1)["device"].unique()) == ["device 1", "device 2"]


def test_stiffness_which_would_give_the_mass_back_is_not_given_out():
    assert not {name for name in COLUMNS if "stiffness" in name or "force" in name or "leg" in name}


# --- The study file --------------------------------------------------------------------------------------------------

NAMING = """\
# Without Bo, whose pod slipped.
title = "Ari's season (ari against cy)"
question = "Does ari, or ariadne, fade? Devices: Blue 1234567."

[cohort]
athletes = ["ari", 'cy']
not_athletes = ["bo"]
devices = ["blue 1234567"]

[[analysis]]
name = "ari and cy"
design = "trend"
metrics = ["cadence_spm"]

[[published]]
analysis = "ari and cy"
metric = "cadence_spm"
statistic = "slope_pct_per_10km"
value = 0.0
source = "a paper 2026"
read_as = "seen"
"""


def called(name: str, of: str = "athlete", key: bytes = KEY) -> str:
    """The pseudonym, as who has the key can compute it."""
    return hmac.digest(key, f"{of} {name}".encode(), "sha256").hex()[:16]


def test_athletes_and_devices_named_in_the_cohort_are_pseudonyms_wherever_the_file_names_them():
    released_study = released(read_study(NAMING, name="study.toml"), KEY)
    ari, bo, cy, blue = called("ari"), called("bo"), called("cy"), called("blue 1234567", "device")
    lines = released_study.shown.splitlines()
    assert lines[0].startswith("# Names of athletes and devices are replaced by pseudonyms here.")
    assert lines[1] == f"# Without {bo}, whose pod slipped."
    assert f"athletes = [\"{ari}\", '{cy}']" in lines
    assert f'devices = ["{blue}"]' in lines
    assert (released_study.title, released_study.question) == (
        f"{ari}'s season ({ari} against {cy})", f"Does {ari}, or ariadne, fade? Devices: {blue}.",
    )  # fmt: skip
    assert released_study.analyses[0].name == released_study.published[0].analysis == f"{ari} and {cy}"


def test_pseudonyms_in_the_file_are_those_of_the_data():
    assert called("ari") in given_out()["athlete"].to_list()


def test_the_runs_are_still_found_by_the_names_and_the_digest_is_that_of_the_file():
    stated = read_study(NAMING, name="study.toml")
    released_study = released(stated, KEY)
    assert (released_study.cohort, released_study.text, released_study.digest()) == (
        stated.cohort,
        NAMING,
        stated.digest(),
    )


def test_a_file_that_names_nobody_is_given_out_as_it_is():
    stated = read_study(NAMING.replace('athletes = ["ari", \'cy\']\nnot_athletes = ["bo"]\ndevices', "kinds"), name="x")
    assert released(stated, KEY) is stated
    assert stated.shown == ""


def test_an_athlete_called_like_a_key_of_the_file_changes_no_key():
    released_study = released(read_study(NAMING.replace('"bo"', '"name"'), name="study.toml"), KEY)
    assert f'not_athletes = ["{called("name")}"]' in released_study.shown.splitlines()
    assert released_study.analyses[0].design == "trend"


@pytest.mark.parametrize("name", ["trend", "b\\u006f"], ids=["a word of the file", "with escapes"])
def test_a_name_that_cannot_be_told_from_the_rest_is_refused_and_not_given_out(name: str):
    with pytest.raises(UsageError, match="cannot be told apart from the rest of the study file, and would be released"):
        released(read_study(NAMING.replace('"bo"', f'"{name}"'), name="study.toml"), KEY)

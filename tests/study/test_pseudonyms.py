from __future__ import annotations

import hmac
import re

import polars as pl
import pytest

from pipeline.core.errors import UsageError
from pipeline.study.pseudonyms import pseudonymised, released
from pipeline.study.study_reader import read_study

KEY, OTHER_KEY = b"one key", b"another key"
ROWS = pl.DataFrame(
    [("ari", "ari-1", 1.0), ("ari", "ari-1", 2.0), ("ari", "ari-2", 3.0), ("bo", "bo-1", 4.0)],
    schema=["athlete", "run", "value"],
    orient="row",
)


def test_no_name_or_id_is_left_and_rows_of_an_athlete_and_of_a_run_stay_together():
    rows = pseudonymised(ROWS, KEY)
    assert not re.search("ari|bo", rows.write_csv())
    assert rows.group_by("athlete").agg(pl.col("value").sort()).sort("value")["value"].to_list() == [[1, 2, 3], [4]]
    assert rows.group_by("run").agg(pl.col("value").sort()).sort("value")["value"].to_list() == [[1, 2], [3], [4]]


def test_the_order_of_rows_says_nothing_of_the_order_before():
    assert pseudonymised(ROWS, KEY).equals(pseudonymised(ROWS.reverse(), KEY))


def test_another_key_gives_other_pseudonyms():
    assert not set(pseudonymised(ROWS, KEY)["athlete"]) & set(pseudonymised(ROWS, OTHER_KEY)["athlete"])


def test_a_table_without_people_stays():
    counts = pl.DataFrame({"early": ["rearfoot"], "runners": [4]})
    assert pseudonymised(counts, KEY).equals(counts)


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
    assert called("ari") in pseudonymised(ROWS, KEY)["athlete"].to_list()


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

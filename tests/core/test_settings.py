"""The settings: each is used, each error says what would do, and two results can be told apart by them."""

from __future__ import annotations

import ast
import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import pytest

from pipeline import STAGES
from pipeline.core.errors import UsageError
from pipeline.core.inclusion import Inclusion
from pipeline.core.settings import ANALYSIS, KEEPING, PAGES, READING, SUMMARIES, Settings, read_settings
from pipeline.core.speed_sources import SPEED_ERROR_PCT

PIPELINE = Path(__file__).parents[2] / "pipeline"
NAMES = [one.name for one in dataclasses.fields(Settings)]

OWN = '[metrics.tibial_peak_g]\ncolumn = "Peak (g)"\nunit = "g"\nsmallest_change_pct = 3\n'
#: Another legal value of each kind of setting.
OTHERS: dict[type, Any] = {
    float: lambda value: value / 2,
    int: lambda value: value + 1,
    tuple: lambda value: tuple(reversed(value)),
    str: lambda _: "Europe/Lisbon",
    dict: lambda value: {one: size / 2 for one, size in value.items()} or {"Step contact": "contact_time_ms"},
}
CHOICES = {one.name: one.metadata["choices"] for one in dataclasses.fields(Settings) if one.metadata.get("choices")}


def other(name: str) -> Any:
    value = getattr(Settings(), name)
    if name == "metrics":
        return read_settings(OWN).metrics
    if name in CHOICES:
        return next(choice for choice in CHOICES[name] if choice != value)
    return OTHERS[type(value)](value)


def toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(word)}" for key, word in value.items()) + "}"
    return json.dumps(value)


def read_of_settings() -> set[str]:
    """Attributes that any module reads of something called `settings`."""
    return {
        node.attr
        for path in PIPELINE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
        and (
            (isinstance(node.value, ast.Name) and node.value.id == "settings")
            or (isinstance(node.value, ast.Attribute) and node.value.attr == "settings")
        )
    } - {"digest", "describe"}


def test_every_setting_is_read_somewhere_and_nothing_is_read_that_is_no_setting():
    of_inclusion = {one.name for one in dataclasses.fields(Inclusion)} - {"registry"}
    of_stages = {name for stage in STAGES for function in stage.functions for name in function.settings}
    derived = {"inclusion": of_inclusion, "max_unpacked_bytes": {"max_unpacked_mb"}, "registry": {"metrics"}}
    read = read_of_settings() | of_stages
    assert set().union(*(derived.get(name, {name}) for name in read)) == set(NAMES)


def test_a_setting_under_its_former_name_is_read():
    assert read_settings("max_entanglement = 0.8\n").max_collinearity == 0.8


def test_every_setting_has_a_reason_and_every_number_a_unit():
    for name, _, unit, reason in Settings().describe():
        assert len(reason) > 15, name
        assert unit or name == "seed" or not isinstance(getattr(Settings(), name), int | float), name


@pytest.mark.parametrize("name", NAMES)
def test_a_file_with_another_value_is_read_back_as_that_value_and_changes_the_digest(name: str):
    settings = read_settings(f"{name} = {toml(other(name))}\n")
    assert getattr(settings, name) == other(name) != getattr(Settings(), name)
    step = next(one for one in dataclasses.fields(Settings) if one.name == name).metadata["of"]
    changes_numbers = step not in (PAGES, KEEPING)
    assert (settings.digest() != Settings().digest()) == changes_numbers


def test_a_setting_changes_the_digest_of_its_step_and_of_those_after_it_alone():
    given = read_settings("min_runs = 5\n")
    changed = [step for step in (READING, ANALYSIS, SUMMARIES) if given.digest(step) != Settings().digest(step)]
    assert changed == [ANALYSIS, SUMMARIES]


def test_all_settings_written_out_are_read_back_the_same():
    text = "\n".join(f"{name} = {toml(getattr(Settings(), name))}" for name in NAMES)
    assert read_settings(text) == Settings() == read_settings("")
    assert read_settings(text).digest() == Settings().digest()


def test_a_whole_number_will_do_where_a_fraction_is_meant():
    assert read_settings("gap_s = 12").gap_s == 12.0
    assert read_settings("gap_s = 12").digest() == read_settings("gap_s = 12.0").digest()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("gap_sec = 5", "settings.toml: there is no setting 'gap_sec'. Did you mean gap_s?"),
        (
            "seed = 1\npage_language = en  # English",
            "settings.toml is not valid TOML: Invalid value (at line 2, column 17): a text needs quotation marks, "
            'page_language = "en".',
        ),
        (
            "time_zone = infinite",  # which begins like a number
            "settings.toml is not valid TOML: Expected newline or end of document after a statement (at line 1, column "
            '16): a text needs quotation marks, time_zone = "infinite".',
        ),
        ('seed = "1', "settings.toml is not valid TOML: Unterminated string (at end of document)."),
        ("zzz = 5", "settings.toml: there is no setting 'zzz'. `splitdrift settings` lists them."),
        ("gap_s = 0", "settings.toml: gap_s is 0; expected a number above zero, such as 10.0."),
        ("gap_s = nan", "settings.toml: gap_s is nan; expected a number above zero, such as 10.0."),
        ("gap_s = inf", "settings.toml: gap_s is inf; expected a number above zero, such as 10.0."),
        ("gap_s = true", "settings.toml: gap_s is True; expected a number above zero, such as 10.0."),
        ('gap_s = "10"', "settings.toml: gap_s is '10'; expected a number above zero, such as 10.0."),
        ("min_runs = 2.5", "settings.toml: min_runs is 2.5; expected a whole number, such as 3."),
        ("min_run_share = 95", "settings.toml: min_run_share is 95; expected a share between 0 and 1, such as 0.95."),
        (
            'sensor_preference = ["native", 1]',
            "settings.toml: sensor_preference is ['native', 1]; expected the words native, self-described, the "
            "preferred one first.",
        ),
        (
            'time_zone = "Lisbon"',
            'settings.toml: time_zone is \'Lisbon\'; expected a zone such as "Europe/Lisbon", or "".',
        ),
        (
            'strike_angle_thresholds = "mine"',
            "settings.toml: strike_angle_thresholds is 'mine'; expected altman-davis-2012 or mo-2021.",
        ),
        (
            "smallest_change_pct = {cadence = 1}",
            "settings.toml: smallest_change_pct names 'cadence', which is no metric. Did you mean cadence_spm?",
        ),
        (
            "speed_error_pct = {gps = 1}",
            "settings.toml: speed_error_pct names 'gps', which is no source of speed. Known: device, unlocated, "
            "treadmill, positions, speed.",
        ),
        (
            "speed_error_pct = {positions = -1}",
            "settings.toml: speed_error_pct.positions is -1; expected a number of at least 0, such as 2.0.",
        ),
        (
            "speed_error_pct = true",
            "settings.toml: speed_error_pct is True; expected a number of at least 0, such as 1.0.",
        ),
        (
            "smallest_change_pct = {cadence_spm = 0}",
            "settings.toml: smallest_change_pct.cadence_spm is 0; expected a number above zero, such as 2.0.",
        ),
        (
            "max_collinearity = 2",
            "settings.toml: max_collinearity is 2; expected a share between 0 and 1, such as 0.9.",
        ),
        (
            "described_fields = {a = 1}",
            "settings.toml: described_fields is {'a': 1}; expected a table such as "
            '{"Step contact" = "contact_time_ms"}.',
        ),
    ],
)
def test_a_fault_names_the_setting_what_was_found_and_what_is_expected(text: str, message: str):
    with pytest.raises(UsageError, match=f"^{re.escape(message)}$"):
        read_settings(text)


def test_a_share_of_exactly_one_is_a_share():
    assert read_settings("min_run_share = 1").min_run_share == 1.0


def test_text_that_is_no_toml_is_refused_with_the_place():
    with pytest.raises(UsageError, match=r"^club\.toml is not valid TOML: .*line 1"):
        read_settings("gap_s 5", name="club.toml")


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("min_runs = 1", "min_runs is 1; expected a number of at least 2"),
        ("min_splits_of_run = 2", "min_splits_of_run is 2; expected a number of at least 3"),
        ("warm_up_m = -1", "warm_up_m is -1; expected a number of at least 0"),
        ("gap_s = 0", "gap_s is 0; expected a number above zero"),
    ],
)
def test_a_number_below_what_makes_sense_is_refused(line: str, expected: str):
    with pytest.raises(UsageError, match=expected):
        read_settings(line)


@pytest.mark.parametrize("line", ["min_runs = 2", "min_splits_of_run = 3", "warm_up_m = 0", "seed = 0"])
def test_the_smallest_number_that_makes_sense_is_taken(line: str):
    assert read_settings(line) != Settings()


def test_the_error_of_speed_is_given_for_one_source_or_for_all():
    assert read_settings("speed_error_pct = {positions = 2}").speed_error_pct == SPEED_ERROR_PCT | {"positions": 2.0}
    assert read_settings("speed_error_pct = 0").speed_error_pct == dict.fromkeys(SPEED_ERROR_PCT, 0.0)

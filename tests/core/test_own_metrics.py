"""Metrics of one's own in settings.toml: what is taken from an entry, and each fault with its line and its remedy."""

from __future__ import annotations

import pytest

from pipeline.core.errors import UsageError
from pipeline.core.metrics import BUILT_IN
from pipeline.core.own_metrics import unit_ending
from pipeline.core.settings import read_settings, settings_text
from pipeline.tables import require_free_columns, schema_of

WHOLE = {
    "column": '"Peak tibial (g)"', "unit": '"g"', "smallest_change_pct": "3", "label": '"tibial peak"',
    "decimals": "2", "counts_as": '"effort"', "lowest": "1", "highest": "40",
}  # fmt: skip


def entry(name: str = "tibial_peak_g", **differing: str | None) -> str:
    """A table of settings.toml; a key that is given None is left out. Its heading is in line 2."""
    lines = [f"{key} = {value}" for key, value in {**WHOLE, **differing}.items() if value is not None]
    return "\n".join(["gap_s = 9", f"[metrics.{name}]", *lines, ""])


def refusal(text: str) -> str:
    with pytest.raises(UsageError) as caught:
        require_free_columns(read_settings(text).registry)
    return str(caught.value)


def test_an_entry_is_a_metric_after_all_others():
    registry = read_settings(entry()).registry
    assert registry.metrics[:-1] == BUILT_IN.metrics
    own = registry.metric_of["tibial_peak_g"]
    assert (own.label, own.unit, own.decimals, own.family) == ("tibial peak", "g", 2, "effort")
    assert (own.source_column, own.lowest, own.highest) == ("Peak tibial (g)", 1, 40)
    assert own.share_column == "tibial_peak_share"
    assert read_settings(entry()).smallest_change_pct["tibial_peak_g"] == 3


def test_name_unit_column_and_smallest_change_are_enough():
    short = dict.fromkeys(("label", "decimals", "counts_as", "lowest", "highest"))
    own = read_settings(entry(**short)).registry.metric_of["tibial_peak_g"]
    assert (own.label, own.decimals, own.family) == ("tibial peak", 1, "measured")


def test_what_a_store_writes_of_it_is_read_back_the_same():
    settings = read_settings(entry())
    assert read_settings(settings_text(settings)) == settings
    assert read_settings(settings_text(settings)).registry == settings.registry


def test_its_smallest_change_may_be_given_with_the_others():
    text = "smallest_change_pct = {tibial_peak_g = 7}\n" + entry()
    assert read_settings(text).smallest_change_pct["tibial_peak_g"] == 7


@pytest.mark.parametrize(
    ("unit", "ending"),
    [("g", "g"), ("m/s²", "m_s2"), ("%", "pct"), ("°/s", "s"), ("N·s", "n_s"), ("% left", "pct_left")],
)
def test_a_name_ends_in_its_unit_spelled_out(unit: str, ending: str):
    assert unit_ending(unit) == ending
    own = f"some_thing_{ending}"
    assert own in read_settings(entry(own, unit=f'"{unit}"')).registry.metric_of


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            entry(unit=None),
            ', line 2: [metrics.tibial_peak_g] has no unit; expected a line such as unit = "g".',
        ),
        (
            entry(colum='"X"'),
            ", line 11: [metrics.tibial_peak_g] has the key 'colum'; expected column.",
        ),
        (
            entry("tibial_peak"),
            ", line 2: [metrics.tibial_peak] has a name that does not say its unit; expected small letters, "
            "digits and _ that end in _g, such as [metrics.tibial_peak_g].",
        ),
        (
            entry("Tibial_g"),
            ", line 2: [metrics.Tibial_g] has a name that does not say its unit; expected small letters, "
            "digits and _ that end in _g, such as [metrics.tibial_peak_g].",
        ),
        (
            entry(decimals="1.5"),
            ", line 7: [metrics.tibial_peak_g] has decimals = 1.5; expected a whole number up to 6.",
        ),
        (
            entry(counts_as='"load"'),
            ", line 8: [metrics.tibial_peak_g] has counts_as = 'load'; expected \"form\" or \"effort\".",
        ),
        (
            entry(lowest="50"),
            ", line 9: [metrics.tibial_peak_g] has lowest = 50 and highest = 40; expected 0 or more, and more "
            "than that.",
        ),
        (
            entry(lowest="-1"),
            ", line 9: [metrics.tibial_peak_g] has lowest = -1 and highest = 40; expected 0 or more, and more "
            "than that.",
        ),
        (
            entry(smallest_change_pct="0"),
            ", line 5: [metrics.tibial_peak_g] has smallest_change_pct = 0; expected a percentage above 0.",
        ),
        (
            entry(smallest_change_pct='"3"'),
            ", line 5: [metrics.tibial_peak_g] has smallest_change_pct = '3'; expected a number.",
        ),
        (
            entry(label='"<b>peak</b>"'),
            ", line 6: [metrics.tibial_peak_g] has label = '<b>peak</b>'; expected letters, digits and signs "
            "such as / % °.",
        ),
        (
            entry(label='"Cadence"'),
            ", line 6: [metrics.tibial_peak_g] has the label of another metric, 'Cadence'; expected a label of "
            "its own.",
        ),
        (
            entry(column="7"),
            ", line 3: [metrics.tibial_peak_g] has column = 7; expected a text in quotation marks, up to 40 "
            "letters.",
        ),
        (
            entry() + entry("other_peak_g", label='"other"').replace("gap_s = 9", ""),
            ", line 13: [metrics.other_peak_g] has the column of [metrics.tibial_peak_g]; expected a column of "
            "its own.",
        ),
        (
            entry("speed_m_s", unit='"m/s"'),
            ": [metrics.speed_m_s] makes a column speed_m_s, which the tables have already; expected another "
            "name.",
        ),
        (
            entry("contact_time_g"),
            ": [metrics.contact_time_g] makes a column contact_time_share, which the tables have already; "
            "expected another name.",
        ),
        (
            "metrics = 3\n",
            ": metrics is 3; expected tables such as [metrics.tibial_peak_g].",
        ),
        (
            "".join(f'[metrics.m{n}_g]\ncolumn = "{n}"\nunit = "g"\nsmallest_change_pct = 1\n' for n in range(9)),
            ": there are 9 tables [metrics.NAME]; expected 8 at most.",
        ),
    ],
    ids=lambda given: given[:60].replace("\n", " "),
)  # fmt: skip
def test_a_fault_is_named_with_its_line_and_what_would_do(text: str, message: str):
    assert refusal(text) == f"settings.toml{message}"


def test_a_table_without_metrics_of_ones_own_is_that_of_the_project():
    assert schema_of("splits") is schema_of("splits", read_settings("").registry)
    wider = schema_of("splits", read_settings(entry()).registry).column_names()
    assert wider == [*schema_of("splits").column_names(), "tibial_peak_g", "tibial_peak_share"]

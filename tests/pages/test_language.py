"""The languages of the pages: the same texts in each, numbers and dates as their readers write them."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from pipeline.core.catalogue import catalogue
from pipeline.core.metrics import METRICS, QUANTITIES
from pipeline.core.quality_rules import EXCLUSION_REASONS, SUSPICIONS
from pipeline.core.settings import Settings
from pipeline.inbox.lists import KINDS, SURFACES
from pipeline.pages import language as module
from pipeline.pages.language import LANGUAGES, TEXTS, Language, upper_first
from pipeline.pages.units import MINUS, Units
from pipeline.pages.words import CAUTION
from pipeline.tables.analysed import COMPARISONS, FINDINGS, REASONS
from pipeline.tables.observed import STRIKES
from pipeline.tables.recorded import STATUSES

KM, MILE = Units("km", "min/km"), Units("mile", "min/mile")
ENGLISH, GERMAN = Language("en", KM), Language("de", KM)
FOLDER = Path(module.__file__).parent
#: Where a text of the registry stands in for one of the catalogue.
OPTIONAL = re.compile(r"metric\.\w+\.(label|head|up|down)|unit\.[\w%]+|suspicion\.\w+|fix\.\w+|exclusion\.\w+")


def values_of(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))


# --- The catalogue ---------------------------------------------------------------------------------------------------


def test_every_language_of_the_settings_has_a_catalogue_and_no_other():
    assert {file.stem for file in (FOLDER / "texts").glob("*.toml")} == set(LANGUAGES)
    for code in LANGUAGES:
        assert Settings(page_language=code).page_language == code


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_language_has_the_same_texts_with_the_same_values(code: str):
    english, other = catalogue(TEXTS, "en"), catalogue(TEXTS, code)
    assert {key for key in set(english) ^ set(other) if not OPTIONAL.fullmatch(key)} == set()
    for key in set(english) & set(other):
        assert values_of(english[key]) == values_of(other[key]), key


def test_every_text_is_used_by_a_page():
    sources = [path for path in FOLDER.rglob("*") if path.suffix in (".py", ".html")]
    text = "".join(path.read_text(encoding="utf-8") for path in sources)
    # Keys that end in a value of a table, or in a form, are put together.
    joined = [part.replace("{", "").split(".")[:-1] for part in re.findall(r"[\w.]+\.\{", text)]
    joined += [part.split(".")[:-1] for part in re.findall(r'"([a-z_.]+)\." ~', text)]
    families = {".".join(parts) for parts in joined} | {
        "index.state",
        "run.about",
        "date",
        "date.months",
        "ride",
        "metric",
        "unit",
    }
    unused = []
    for key in catalogue(TEXTS, "en"):
        plain = re.sub(r"\.(one|other)$", "", key)
        if f'"{plain}"' not in text and f"'{plain}'" not in text and not any(
            plain.startswith(f"{family}.") for family in families if family
        ):  # fmt: skip
            unused.append(key)
    assert unused == []


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_word_of_a_table_or_list_has_a_text(code: str):
    words = {
        "finding": FINDINGS, "comparison": COMPARISONS, "strike": STRIKES, "status": STATUSES, "kind": KINDS,
        "surface": SURFACES, "reason": REASONS,
    }  # fmt: skip
    for family, values in words.items():
        for value in values:
            assert catalogue(TEXTS, code)[f"{family}.{value}"]


def test_the_caution_of_the_pages_is_that_of_the_terminal():
    assert ENGLISH("frame.caution") == CAUTION


def test_german_has_a_word_for_every_quantity_suspicion_and_reason():
    assert {quantity.column for quantity in QUANTITIES if not GERMAN.has(f"metric.{quantity.column}.label")} == set()
    assert {name for name in SUSPICIONS if not (GERMAN.has(f"suspicion.{name}") and GERMAN.has(f"fix.{name}"))} == set()
    assert {kind for kind in EXCLUSION_REASONS if not GERMAN.has(f"exclusion.{kind}")} == set()
    assert [ENGLISH.metric(metric.column) for metric in METRICS] == [metric.label for metric in METRICS]


def test_reasons_are_put_into_words_one_after_the_other():
    reasons = (
        '[{"kind":"excluded","metric":"cadence_spm","n":2,"n_runs":3,"suspicion":"stuck"},'
        '{"kind":"unlike_club","exponent":-0.2,"club":0.31}]'
    )
    assert ENGLISH.reasons(reasons) == (
        "cadence excluded in 2 of 3 runs: stuck at one value; "
        f"responds to speed unlike the club (exponent {MINUS}0.20, the club's mean 0.31)"
    )
    assert "Schrittfrequenz in 2 von 3 Läufen" in GERMAN.reasons(reasons)
    assert f"Exponent {MINUS}0,20, Mittel des Vereins 0,31" in GERMAN.reasons(reasons)
    assert ENGLISH.reasons(None) == ""


def test_why_samples_were_excluded_is_put_into_words_and_what_is_not_known_stays():
    assert [GERMAN.exclusion(EXCLUSION_REASONS["spike"]), GERMAN.exclusion("as before")] == [
        "ein Ausreißer",
        "as before",
    ]
    assert GERMAN.fix("stuck") == "den Sensor prüfen: Batterie und Verbindung"


def test_what_can_be_done_about_a_suspicion_follows_a_semicolon_in_every_language():
    for language in (ENGLISH, GERMAN):
        fixes = [language.fix(suspicion) for suspicion in SUSPICIONS]
        assert [fix for fix in fixes if fix.endswith(".")] == []
    assert ENGLISH.fix("faster_than_records").startswith("nothing to do unless the whole run is wrong; then")


def test_a_metric_without_a_text_has_the_label_and_the_verbs_of_all():
    assert (ENGLISH.metric("cadence_spm"), ENGLISH.verb("cadence_spm", is_up=False)) == ("cadence", "falls")
    assert ENGLISH.verb("contact_time_ms", is_up=True) == "lengthens"
    assert ENGLISH.metric("no_such_metric") == "no_such_metric"


@pytest.mark.parametrize(("n", "words"), [(1, "1 run"), (2, "2 runs"), (0, "0 runs")])
def test_a_number_chooses_between_one_and_other(n: int, words: str):
    assert ENGLISH("index.runs", n=n) == words


# --- Numbers, units, dates -------------------------------------------------------------------------------------------


def test_german_numbers_have_a_comma():
    assert (ENGLISH.number(1234.56, 1), GERMAN.number(1234.56, 1)) == ("1234.6", "1234,6")
    assert GERMAN.signed(-1.55) == f"{MINUS}1,6"
    assert GERMAN.between(-1.0, 2.5) == f"{MINUS}1,0 bis +2,5"


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (-0.03, 0.7, f"{MINUS}0.03 to +0.7"), (0.004, 0.7, "+0.004 to +0.7"), (0.0, 0.7, "0.0 to +0.7"),
        (-2.0, -0.04, f"{MINUS}2.0 to {MINUS}0.04"), (0.1, 0.7, "+0.1 to +0.7"), (0.0004, 0.7, "0.0 to +0.7"),
        (None, 0.7, ""),
    ],
)  # fmt: skip
def test_an_end_next_to_zero_keeps_the_digit_that_decides(low: float | None, high: float, words: str):
    assert ENGLISH.between(low, high) == words
    assert ENGLISH.intervals([low, None, 1.0], [high, 1.0, 2.0]) == [words, "", "+1.0 to +2.0"]


def test_places_are_in_the_unit_shown_and_drop_digits_that_say_nothing():
    assert (ENGLISH.place(9.5), ENGLISH.place(18.0), ENGLISH.place(10.0, 0)) == ("km 9.5", "km 18", "km 10")
    assert Language("en", MILE).place(1.609344) == "mile 1"
    assert GERMAN.place(9.5) == "km 9,5"


def test_dates_are_written_as_the_language_does_and_others_stay_as_they_are():
    day = date(2026, 3, 5)
    assert (ENGLISH.day(day), GERMAN.day(day)) == ("5 Mar 2026", "5. März 2026")
    assert (ENGLISH.day(day, "short"), ENGLISH.day("2026-03-05"), ENGLISH.day("spring")) == (
        "5 Mar", "5 Mar 2026", "spring",
    )  # fmt: skip


def test_a_list_reads_as_a_sentence():
    assert (ENGLISH.listed(["a"]), ENGLISH.listed(["a", "b", "c"])) == ("a", "a, b and c")
    assert GERMAN.listed(["a", "b"]) == "a und b"
    assert upper_first("contact time") == "Contact time"

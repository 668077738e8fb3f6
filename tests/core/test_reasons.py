"""Why files were refused, as data: every kind has its sentences in every language, and numbers as each writes them."""

from __future__ import annotations

import os
import pickle
import re
from pathlib import Path

import pytest

import pipeline
from pipeline.core import reasons as module
from pipeline.core.catalogue import catalogue
from pipeline.core.errors import Refused
from pipeline.core.metrics import BUILT_IN
from pipeline.core.reasons import MOST_CHARACTERS, Reason, as_json, because, fields_of, words
from pipeline.formats.columns import CHOICES_OF, DISTANCE_OF_LAPS
from pipeline.formats.fit import ACTIVITY, FILE_TYPES, SPORTS
from pipeline.formats.interpretation import EXPECTED
from pipeline.formats.sports import OTHERS
from pipeline.pages.language import LANGUAGES
from pipeline.pages.language import TEXTS as TEXTS_OF_PAGES
from pipeline.refresh.shard import FILES_OWN_FAULT

FOLDER = Path(module.__file__).with_name("texts")
SOURCES = "".join(path.read_text(encoding="utf-8") for path in Path(pipeline.__file__).parent.rglob("*.py"))


# --- The catalogues --------------------------------------------------------------------------------------------------


def test_every_language_of_the_pages_has_a_catalogue_and_no_other():
    assert {file.stem for file in FOLDER.glob("*.toml")} == set(LANGUAGES)


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_kind_has_its_sentences_and_no_sentence_is_of_no_kind(code: str):
    keys = {re.sub(r"\.(one|other)$", "", key) for key in catalogue(FOLDER, code)}
    of_kinds = {key for key in keys if not key.startswith(("number.", "term."))}
    assert {key.partition(".")[0] for key in of_kinds} == {kind.value for kind in Reason}
    assert {key.partition(".")[2] for key in of_kinds} == {"reason", "fix"}
    english = {key for key in catalogue(FOLDER, "en") if not key.startswith("term.")}
    assert {key for key in catalogue(FOLDER, code) if not key.startswith("term.")} == english


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_sentences_of_a_kind_name_the_same_fields_in_every_language(code: str):
    assert {kind: fields_of(kind, code) for kind in Reason} == {kind: fields_of(kind) for kind in Reason}


def test_every_kind_is_given_somewhere():
    assert {kind.name for kind in Reason} == set(re.findall(r"\bReason\.([A-Z_0-9]+)\b", SOURCES))


def test_every_word_that_sentences_show_is_german_in_german():
    told = {*BUILT_IN.worth.values(), "speed", *SPORTS.values(), *OTHERS, "kilometre", "lap", *EXPECTED.values()}
    told |= {words for kind, words in FILE_TYPES.items() if kind != ACTIVITY}
    told |= {meaning for choices in (*CHOICES_OF.values(), DISTANCE_OF_LAPS) for meaning in choices.values()}
    told |= set(map(os.strerror, FILES_OWN_FAULT))
    german = catalogue(FOLDER, "de").items()
    terms = {key.removeprefix("term."): text for key, text in german if key.startswith("term.")}
    assert terms.keys() == told
    of_pages = catalogue(TEXTS_OF_PAGES, "de")
    for column, label in BUILT_IN.worth.items():
        assert terms[label] == of_pages.get(f"metric.{column}.label", terms["altitude"])


def test_no_german_sentence_is_english():
    # What is written in files stays as it is.
    written = re.compile(r"\{[^}]*\}|`[^`]*`|[\w.]*[._=\"][\w.\"/:-]*")
    plain = [written.sub(" ", text) for text in catalogue(FOLDER, "de").values()]
    english = r"\b(?:the|of|and|with|that|is|are|this|has|have|it|or|not|no|a|for|run|column)\b"
    assert [text for text in plain if re.search(english, text)] == []


# --- Reasons in words ------------------------------------------------------------------------------------------------


def test_numbers_have_the_signs_of_the_language():
    beyond = because(Reason.LAPS_OR_RECORDINGS, header="s", before_s=1.5, after_s=0.0, line=1234)
    many = because(Reason.MANY_COLUMNS, n_columns=12345, most=1000)
    assert "from 1.5 s to 0 s in line 1234" in words([beyond])[0]
    assert "in Zeile 1234 von 1,5 s auf 0 s" in words([beyond], "de")[0]
    assert words([many])[0] == "The file has 12,345 columns, expected at most 1,000."
    assert words([many], "de")[0] == "Die Datei hat 12.345 Spalten, erlaubt sind höchstens 1.000."


@pytest.mark.parametrize(("near", "fix"), [([], ""), (["a"], "Did you mean a?"), (["a", "b"], "Did you mean a or b?")])
def test_a_part_of_a_sentence_is_said_where_there_is_something_to_say(near: list[str], fix: str):
    assert words([because(Reason.UNKNOWN_NAME, header="x", name="y", near=near)])[1] == fix


@pytest.mark.parametrize(("n", "said"), [(1, "in line 3"), (2, "in lines 3, 7"), (9, "in lines 3, 7 and 7 more")])
def test_a_sentence_follows_its_number(n: int, said: str):
    lines = ["3", "7"][:n]
    changes = because(Reason.NAME_CHANGES, header="run", n=n, lines=lines, n_more=n - len(lines))
    several = because(Reason.SEVERAL_WITHOUT_START, n_recordings=n + 1, shown=changes)
    assert words([several])[0].endswith(f'the column "run" changes {said}. It does not say when each of them began.')


def test_of_several_reasons_a_fix_that_they_share_is_said_once():
    refusal = Refused.of([because(Reason.DAMAGED_ZIP), because(Reason.DAMAGED_GZIP, member="a.gz")])
    assert refusal.reason.count(" is damaged: ") == 2
    assert refusal.fix == "Copy or download the file again."


@pytest.mark.parametrize("fields", [{}, {"n_rows": 1}, {"n_rows": 1, "least": 2, "most": 3}])
def test_a_reason_has_the_fields_that_its_sentences_name_and_no_other(fields: dict[str, int]):
    with pytest.raises(TypeError, match="few_rows takes"):
        Refused(Reason.FEW_ROWS, **fields)


def test_a_refusal_comes_out_of_a_worker_as_it_went_in():
    refusal = Refused(Reason.NO_TRACK, least=2, damage=because(Reason.XML_ENCODING))
    again = pickle.loads(pickle.dumps(refusal))
    assert (again.reasons, str(again)) == (refusal.reasons, str(refusal))
    assert words(as_json(again.reasons), "de") == words(refusal.reasons, "de")


def test_texts_of_files_are_shown_short_and_without_what_moves_the_cursor():
    reason, _ = words(as_json([because(Reason.ENCRYPTED, member="\x1b[2J" + "x" * 10**6)]), "de")
    assert len(reason) == MOST_CHARACTERS
    assert "\x1b" not in reason


def test_fields_of_a_kind_are_those_of_both_sentences():
    assert fields_of(Reason.NO_START) == {"path"}
    assert fields_of(Reason.NAME_CHANGES) == {"header", "n", "lines", "n_more"}

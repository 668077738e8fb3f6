"""The table of published works and numbers: complete, and the only place that published numbers come from."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from pathlib import Path

import pytest

from pipeline.core.published import READ, REFERENCE, Work, all_numbers, works
from pipeline.pages.worth_a_look import cautions, every_look
from pipeline.study.sources import all_sources
from pipeline.study.study_reader import read_study

PROJECT = Path(__file__).parents[2]
STUDIES = sorted((PROJECT / "data" / "studies").rglob("*.toml"))
CITED = re.compile(r"[A-Z][\w-]+(?: [A-Za-z]\w+)*(?: et al\.)? (?:19|20)\d\d")


def test_a_work_says_what_of_it_was_read_and_who_checked_it_when():
    for key, work in works().items():
        assert re.search(r"\b(19|20)\d\d\b|\d+:\d+|doi 10\.|J Sports Physiol|data/", work.cite), key
        assert work.read in (*READ, REFERENCE), key
        assert re.fullmatch(r"\w+, 20\d\d-\d\d-\d\d", work.checked), key
        assert "memory" not in f"{work.cite} {work.over}", key
        assert (work.read == REFERENCE) <= (not work.numbers), f"{key}: numbers of a work that was not read"


def test_no_work_is_there_twice():
    cites = [work.cite for work in works().values()]
    assert len(set(cites)) == len(cites)
    dois = [doi for cite in cites for doi in re.findall(r"doi (10\.\S+?)[;,]?(?:\s|$)", cite)]
    assert len(set(dois)) == len(dois)


@pytest.mark.parametrize("key", all_numbers())
def test_a_number_has_a_unit_and_says_what_it_is_of_and_over(key: str):
    number = all_numbers()[key]
    assert number.unit
    assert number.of
    assert number.over
    # A range without a value has both ends; a value lies inside its interval.
    ends = [number.low, number.value if number.value is not None else number.low, number.high]
    assert (number.value is not None and number.low is number.high is None) or ends == sorted(ends)


# --- What takes its numbers from here --------------------------------------------------------------------------------


def unknown_numbers(text: str, keys: Iterable[str]) -> list[str]:
    """Numbers of a text that none of the works has: neither as a number nor in what it says of people and distances.

    Args:
        text: numbers are compared without their sign, which words give.
        keys: of the works that the text rests on.
    """
    known = {abs(float(token)) for key in keys for token in _tokens_of(works()[key])}
    return [token for token in _tokens(text) if abs(float(token)) not in known]


def _tokens_of(work: Work) -> list[str]:
    told = [work.over, str(work.n or "")]
    for one in work.numbers.values():
        told += [one.of, one.over, *(repr(value) for value in (one.value, one.low, one.high, one.sd, one.n) if value)]
    return [token for text in told for token in _tokens(text)]


def _tokens(text: str) -> list[str]:
    return [token.replace(",", "") for token in re.findall(r"(?<![\w.])(?:\d+(?:,\d{3})*(?:\.\d+)?|\.\d+)", text)]


def test_a_number_that_is_not_in_the_table_is_found():
    assert unknown_numbers("12 triathletes over 5 km: 8.9 % longer, 9.8 % perhaps.", ["girard-2013"]) == ["9.8"]


def test_every_number_of_the_evidence_of_a_look_is_one_of_its_works():
    for look in every_look():
        if look.evidence:
            assert unknown_numbers(look.evidence, look.sources) == [], (look.metric, look.finding, look.order)


def test_every_number_of_the_cautions_is_one_of_the_works_they_name():
    for name, text in cautions().items():
        keys = [key for key, work in works().items() if (cited := CITED.match(work.cite)) and cited[0] in text]
        without_sources = re.sub(r"\([A-Z][^()]* (?:19|20)\d\d[^()]*\)", "", text)
        assert unknown_numbers(without_sources, keys) == [], name


@pytest.mark.parametrize("path", STUDIES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_the_studies_of_the_project_take_published_numbers_from_the_table(path: Path):
    text = path.read_text(encoding="utf-8")
    rows = tomllib.loads(text).get("published", [])
    assert [row for row in rows if "number" not in row] == []
    for row, read in zip(rows, read_study(text, name=path.name).published, strict=True):
        assert (read.value, read.low, read.n) == tuple(
            getattr(all_numbers()[row["number"]], name) for name in ("value", "low", "n")
        )


def test_the_methods_of_studies_cite_works_of_the_table():
    assert {source.work for source in all_sources()} <= set(works())


# --- METHODS.md ------------------------------------------------------------------------------------------------------

BODY, _, LISTED = (PROJECT / "data" / "METHODS.md").read_text(encoding="utf-8").partition("## References")
#: Each reference by its number.
REFERENCES = dict(re.findall(r"^(\d+)\. (.*?)(?=^\d+\. |\Z)", LISTED, re.MULTILINE | re.DOTALL))


def works_of(reference: str) -> list[str]:
    """Keys of the works that a reference of METHODS.md names: by doi, or by volume and first page."""
    words = " ".join(reference.split())
    dois = set(re.findall(r"doi (10\.\S+?)[;,:]?(?= |$)", words))
    places = set(re.findall(r"\b\d+:e?\d+", words)) | set(re.findall(r"ISBN [\d-]+|J Bus Econ Stat 14", words))
    return [
        key
        for key, work in works().items()
        if any(doi in work.cite for doi in dois) or any(f" {place}" in work.cite for place in places)
    ]


@pytest.mark.parametrize("number", REFERENCES)
def test_a_reference_of_the_methods_is_a_work_of_the_table(number: str):
    assert works_of(REFERENCES[number]), REFERENCES[number]


def test_every_work_that_the_methods_name_is_in_their_list_and_numbered_unless_it_is_from_memory():
    named = set(re.findall(r"[A-Z][\w-]+(?: and [A-Z][\w-]+)? (?:19|20)\d\d", BODY))
    assert [work for work in named if work not in " ".join(LISTED.split())] == []
    from_memory = LISTED.partition("\n1. ")[0].partition("from memory:")[2]
    assert "memory" not in "".join(REFERENCES.values())
    for work in named:
        assert (work in " ".join(from_memory.split())) != any(work in one for one in REFERENCES.values()), work


def test_every_number_that_the_methods_give_with_a_reference_is_one_of_its_work():
    checked = 0
    for sentence in re.split(r"(?<=[.:;])\s+(?=[A-Z*(-])|\n\n", BODY):
        cited = [number for found in re.findall(r"\[(\d+(?:, \d+)*)\]", sentence) for number in found.split(", ")]
        keys = [key for number in cited for key in works_of(REFERENCES[number])]
        if any(works()[key].numbers for key in keys):
            # Confidence levels and powers of names are no findings.
            told = re.sub(r"\[[\d, ]+\]|95 %|`[^`]*`|\*[^*]*\*", "", sentence)
            assert unknown_numbers(told, keys) == [], " ".join(sentence.split())
            checked += 1
    assert checked > 3

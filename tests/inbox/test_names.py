"""Names of athletes: spellings that mean the same folder, and folders that a person may take for one."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from pathlib import Path

import polars as pl
import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.inbox.names import alike, as_folders, bare

Make = Callable[[Mapping[str, bytes | str]], Path]
ASA = "Åsa"
ASA_DECOMPOSED = unicodedata.normalize("NFD", ASA)


@pytest.mark.parametrize("name", ["asa", "ÅSA", ASA, ASA_DECOMPOSED, " Åsa "])
def test_case_accents_and_their_composition_do_not_distinguish_names(name: str):
    assert bare(name) == "asa"


def test_letters_that_are_their_own_are_kept():
    assert bare("Łukasz") != bare("Lukasz")


@pytest.mark.parametrize("written", ["ARI", "ari ", "Arí"])
def test_an_athlete_of_a_list_is_found_by_case_and_accents_and_that_is_said(written: str):
    rows = {"roster.csv": pl.DataFrame({"athlete_id": [written, "bo"]})}
    renamed, notices = as_folders(rows, {"ari", "bo"})
    assert renamed["roster.csv"]["athlete_id"].to_list() == ["ari", "bo"]
    assert notices == (f"roster.csv: '{written}' is taken as the athlete of the folder 'ari'.",)


def test_a_name_that_two_folders_fit_is_not_decided():
    rows = {"roster.csv": pl.DataFrame({"athlete_id": ["ARI"]})}
    renamed, [notice] = as_folders(rows, {"ari", "Ari"})
    assert renamed["roster.csv"]["athlete_id"].to_list() == ["ARI"]
    assert "there is no folder of an athlete 'ARI' in the inbox. Did you mean" in notice


def test_an_athlete_in_two_spellings_keeps_the_first_line():
    rows = {"roster.csv": pl.DataFrame({"athlete_id": ["ari", "Ari"], "mass_kg": [60.0, 61.0]})}
    renamed, notices = as_folders(rows, {"ari"})
    assert renamed["roster.csv"].rows() == [("ari", 60.0)]
    assert notices[-1] == "roster.csv: an athlete is there in two spellings; the first line is used."


def test_folders_that_differ_in_case_or_accents_only_are_said():
    assert list(alike({"ari", "Ari", "bo"})) == [
        "The folders 'Ari' and 'ari' differ in capital letters or accents only. They are taken for 2 athletes; if they "
        "are of one, move the files into one of them."
    ]
    [notice] = alike({ASA, ASA_DECOMPOSED})
    assert "(composed letters)" in notice
    assert "(decomposed letters)" in notice


def test_an_inbox_says_all_of_it(tiny_inbox: Make):
    files = {"Ari/a.fit": b"", "ari/b.fit": b"", "bo/c.fit": b"", "sessions.csv": "file,athlete_id\nbo/c.fit,BO\n"}
    notices = read_inbox(tiny_inbox(files)).notices
    assert [notice[:28] for notice in notices] == ["The folders 'Ari' and 'ari' ", "sessions.csv: 'BO' is taken "]


@pytest.mark.parametrize("where", ["corrections.toml", "ari/corrections.toml"])
def test_an_athlete_of_a_correction_is_found_as_one_of_a_list_is(tiny_inbox: Make, where: str):
    toml = "".join(f'[[correction]]\nathlete_id = "{name}"\ncadence_factor = 2\n' for name in ("ARÍ", "ari", "arri"))
    inbox = read_inbox(tiny_inbox({"ari/a.fit": b"", where: toml}))
    assert [entry.athlete_id for entry in inbox.corrections_for(next(iter(inbox.files)))] == ["ari", "ari"]
    assert inbox.notices == (
        f"{where}: 'ARÍ' is taken as the athlete of the folder 'ari'.",
        f"{where}: there is no folder of an athlete 'arri' in the inbox. Did you mean 'ari'?",
    )

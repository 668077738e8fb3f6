"""Names of sports: running in any language, words that say nothing, and everything else."""

from __future__ import annotations

import pytest

from pipeline.formats.sports import sport_named


@pytest.mark.parametrize(
    "word",
    ["Running", "trail_running", "Jogging", "Laufen", " Waldlauf ", "Course à pied", "carrera", "Corsa", "corrida",
     "hardlopen", "löpning", "løb", "juoksu", "Bieganie", "běh", "Бег", "ランニング", "跑步", "달리기", "9",
     "Laufband"],
)  # fmt: skip
def test_words_of_running_are_running(word: str):
    assert sport_named(word) == "running"


@pytest.mark.parametrize("word", [None, "", "  ", "Workout", "activity", "unknown"])
def test_words_that_say_nothing_are_no_sport(word: str | None):
    assert sport_named(word) is None


@pytest.mark.parametrize("word", ["Biking", "Other", "Langlauf", "Eislaufen", "1", "Klettern"])
def test_other_words_stay_as_they_are(word: str):
    assert sport_named(word) == word.lower()

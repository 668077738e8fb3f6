"""Names of sports in files. A word or a code in, `running` or another lower-case word out.

The words are those of programs in the languages of `headers`, from memory.
"""

from __future__ import annotations

import re

from pipeline.formats import RUNNING

#: Whole words of running; a word that holds `run` or ends in `lauf` is one as well.
_RUNNING = frozenset((
    "running", "jogging", "jog", "laufen", "lauf", "joggen", "course", "course_a_pied", "footing", "correr",
    "carrera", "carrera_a_pie", "trote", "corsa", "corrida", "corrida_a_pe", "hardlopen", "löpning", "lopning",
    "løping", "loping", "løb", "lob", "juoksu", "bieganie", "bieg", "běh", "beh", "běhání", "бег", "пробежка",
    "ランニング", "ジョギング", "跑步", "慢跑", "越野跑", "달리기", "러닝", "조깅", "treadmill", "laufband",
))  # fmt: skip
_NOT_RUNNING = re.compile(r"langlauf|eislauf|skilauf|schlittschuh|inline|brunch|trunk")

#: Codes that programs write in place of a word, from memory.
_CODES = {"9": RUNNING}

#: Words that say nothing about the sport.
_UNTOLD = frozenset(("", "activity", "workout", "training", "generic", "unknown", "uncategorized", "default", "track"))

#: Sports of which nobody would ask whether they were a run.
OTHERS = frozenset((
    "cycling", "biking", "bike", "ride", "e_biking", "swimming", "swim", "open_water", "rowing", "walking",
    "hiking", "cross_country_skiing", "alpine_skiing", "skiing", "strength_training", "fitness_equipment",
    "yoga", "golf", "multisport", "transition", "radfahren", "schwimmen", "wandern",
))  # fmt: skip


#: Parts of words for riding a bicycle, and whole words; from memory.
_RIDING = (
    "cycl",
    "cicl",
    "bik",
    "radfahr",
    "rennrad",
    "fahrrad",
    "fiets",
    "vélo",
    "cykl",
    "pyöräil",
    "kolar",
    "自転車",
    "骑行",
)
_RIDES = frozenset(("ride", "virtualride", "ebikeride", "gravelride", "mountainbikeride", "rad", "velo"))


def is_ride(sport: str) -> bool:
    """Whether the word for a sport is one for riding a bicycle."""
    plain = sport.strip().lower()
    return plain in _RIDES or any(part in plain for part in _RIDING)


def sport_named(word: str | None) -> str | None:
    """`running` for a run in any of the languages; None where the word says nothing; else the word in small letters."""
    if word is None:
        return None
    plain = word.strip().lower()
    if plain in _UNTOLD:
        return None
    joined = re.sub(r"[\W_]+", "_", plain).strip("_")
    is_run = ("run" in plain or re.search(r"lauf(en)?(_|$)", joined)) and not _NOT_RUNNING.search(plain)
    if is_run or joined in _RUNNING or any(part in _RUNNING for part in joined.split("_")):
        return RUNNING
    return _CODES.get(plain, plain)

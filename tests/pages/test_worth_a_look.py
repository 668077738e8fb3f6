"""What a coach may examine next: the texts keep to what was published, and prescribe and diagnose nothing."""

from __future__ import annotations

import re
from itertools import product

import pytest

from pipeline.core.metrics import METRICS
from pipeline.core.published import REFERENCE, works
from pipeline.pages import worth_a_look
from pipeline.pages.worth_a_look import ANY, CHANGE, Look, cautions, every_look, in_language, looks

COLUMNS = [metric.column for metric in METRICS]
CHANGES = ("rises", "falls")
OTHERS = ("holds", "unclear", "too_little_data")
#: In place of a published source.
NO_SOURCE = re.compile(r"^(common practice, no source|METHODS\.md, sections? \d( and \d)*)$")

#: How a foot lands is looked at from the hip, never asked to change.
LANDING = re.compile(
    r"\b(land(s|ing|ed)?|strik(e|es|ing)|switch(es|ing)?|transition(s|ing)?) (on|onto|with|to)\b"
    r"|\b(fore|rear|mid)-?(foot|feet)\b|\bheels?\b|\btoes?\b|\bball of the foot\b|\bfoot ?strike\b",
    re.IGNORECASE,
)
#: Words of a prescription, a treatment or a diagnosis.
PRESCRIBING = re.compile(
    r"\b(should|must|ought|needs? to|ha(s|ve) to|correct(s|ed|ing|ion)?|fix(es|ed|ing)?|improv\w+|prevent\w*"
    r"|treat\w*|therap\w*|rehab\w*|cur(e|es|ed|ing)|heal(s|ed|ing)?|diagnos\w*|prescri\w+|symptom\w*|syndrome\w*"
    r"|tendin\w+|arthr\w+|strain(s|ed)?|sprain\w*|injur\w+|strengthen\w*|stretching|exercises?|massage\w*|drugs?"
    r"|supplements?|weak(ness|er)?|wrong|bad|poor(ly)?)\b",
    re.IGNORECASE,
)
#: A sentence that begins so tells the athlete to run otherwise.
ORDER = re.compile(
    r"(?:^|[.:;!?] )(increase|raise|reduce|lower|lengthen|shorten|lean|run|rest|stop|avoid|change|use|wear|drink|eat"
    r"|lift|keep|hold|make|take|do|quicken|slow|relax|train|practi[cs]e|add|cut)\b",
    re.IGNORECASE,
)
#: What examining sounds like.
EXAMINING = re.compile(r"\b(see|look|check|compare|film|ask|note|watch|show|tell)\b", re.IGNORECASE)


def names(look: Look) -> str:
    return f"{look.metric} {look.finding} {look.order}"


# --- What there is ----------------------------------------------------------------------------------------------------


def test_every_metric_that_rises_or_falls_has_looks():
    for column, finding in product(COLUMNS, CHANGES):
        assert looks(column, finding), (column, finding)


@pytest.mark.parametrize("finding", [*CHANGES, "changes_late"])
def test_a_change_of_a_metric_without_looks_of_its_own_has_those_of_any_change(finding: str):
    (look,) = looks("a new metric", finding)
    assert (look.metric, look.finding) == (ANY, CHANGE)


def test_every_other_finding_has_looks_that_go_for_any_metric():
    for column, finding in product(COLUMNS, OTHERS):
        found = looks(column, finding)
        assert found, (column, finding)
        assert {(look.metric, look.finding) for look in found} == {(ANY, finding)}, (column, finding)


def test_looks_for_any_metric_stand_in_only_where_a_metric_has_none_of_its_own(monkeypatch: pytest.MonkeyPatch):
    shared, second, own = (
        Look(metric, "holds", title, "See it.", "", order, no_source="common practice, no source")
        for metric, title, order in ((ANY, "shared", 1), (ANY, "second", 2), ("cadence_spm", "own", 1))
    )
    monkeypatch.setattr(worth_a_look, "every_look", lambda: (shared, own, second))
    assert looks("cadence_spm", "holds") == (own,)
    assert looks("duty_factor", "holds") == (shared, second)


def test_a_finding_that_nobody_knows_has_none():
    assert looks("cadence_spm", "wobbles") == ()


def test_a_look_is_of_a_metric_and_a_finding_that_exist():
    for look in every_look():
        assert (look.metric in COLUMNS and look.finding in CHANGES) or (
            look.metric == ANY and look.finding in (CHANGE, *OTHERS)
        ), names(look)


def test_looks_come_in_an_order_that_counts_from_one_without_gap_or_tie():
    for column, finding in product(COLUMNS, [*CHANGES, *OTHERS]):
        found = looks(column, finding)
        assert [look.order for look in found] == list(range(1, len(found) + 1)), (column, finding)


# --- Evidence ---------------------------------------------------------------------------------------------------------


def test_what_claims_evidence_has_works_that_were_read():
    for look in every_look():
        if look.evidence:
            assert look.sources, names(look)
            assert all(works()[key].read != REFERENCE for key in look.sources), names(look)
            assert look.no_source == "", names(look)
            assert re.search(r"\d", look.evidence), "evidence has a size, at least of the group"
        else:
            assert NO_SOURCE.match(look.no_source), names(look)
            assert look.sources == (), names(look)


def test_the_source_of_a_look_is_what_its_works_are_cited_as():
    [look] = [look for look in every_look() if look.sources == ("heiderscheit-2011", "adams-2018")]
    assert look.source == f"{works()['heiderscheit-2011'].cite}; {works()['adams-2018'].cite}"


# --- Another language -------------------------------------------------------------------------------------------------


def test_every_look_is_told_in_german_with_the_same_numbers():
    for look in every_look():
        german = in_language(look, "de")
        assert german.title != look.title, names(look)
        assert (german.order, german.sources) == (look.order, look.sources)
        for key in ("examine", "evidence", "no_source"):
            english, other = getattr(look, key), getattr(german, key)
            assert bool(other) == bool(english), names(look)
            assert numbers(other.replace(",", ".")) == numbers(english), names(look)
    for name, text in cautions().items():
        assert cautions("de")[name] != text
        assert numbers(cautions("de")[name]) == numbers(text), name


def numbers(text: str) -> list[str]:
    """The numbers in a text, in order of size."""
    return sorted(re.findall(r"\d+(?:\.\d+)?", text))


# --- What is never said -----------------------------------------------------------------------------------------------


def test_no_look_asks_for_another_landing():
    for look in every_look():
        assert not LANDING.search(f"{look.title} {look.examine}"), names(look)


def test_no_look_prescribes_treats_or_diagnoses():
    for look in every_look():
        assert not PRESCRIBING.search(f"{look.title}. {look.examine}"), names(look)
        assert not ORDER.search(look.examine), names(look)


def test_a_look_is_something_to_examine():
    for look in every_look():
        assert EXAMINING.search(look.examine), names(look)


@pytest.mark.parametrize(
    "text",
    ["Let the athlete land on the midfoot.", "See whether a forefoot landing helps.", "Let them switch to flat shoes."],
)
def test_the_words_of_another_landing_are_known(text: str):
    assert LANDING.search(text)


@pytest.mark.parametrize(
    "text",
    [
        "Increase cadence by 5 %.", "The athlete should rest.", "See the film. Shorten the step.",
        "Strengthen the hip.", "This is a sign of tendinopathy.", "The hip is weak.", "Treat the calf.",
    ],
)  # fmt: skip
def test_the_words_of_a_prescription_are_known(text: str):
    assert PRESCRIBING.search(text) or ORDER.search(text)


def test_a_look_is_short():
    for look in every_look():
        assert len(look.title) <= 60, names(look)
        assert 1 <= len(re.findall(r"[.?!](?:\s|$)", look.examine)) <= 3, names(look)
        assert len(look.examine) <= 320, names(look)
        assert len(look.evidence) <= 400, names(look)


def test_texts_are_joined_where_the_file_wraps_them():
    for look in every_look():
        for text in (look.title, look.examine, look.evidence, look.source):
            assert text == " ".join(text.split()), names(look)
        assert look.examine.endswith((".", "?")), names(look)
        assert look.evidence.endswith(".") or not look.evidence, names(look)


# --- Cautions ---------------------------------------------------------------------------------------------------------


def test_cautions_are_these_four():
    assert set(cautions()) == {"one_thing", "hand_over", "no_landing", "association"}


def test_pain_is_handed_to_a_physiotherapist_or_doctor_and_local_rules_come_first():
    said = cautions()["hand_over"]
    assert "pain" in said.lower()
    assert "physiotherapist or doctor" in said
    assert re.search(r"safeguarding rules come first", said)


def test_change_is_one_thing_at_a_time_and_gradual():
    said = cautions()["one_thing"].lower()
    assert "one thing at a time" in said
    assert "gradually" in said


def test_why_landing_is_left_alone_is_told_with_sizes_and_sources():
    said = cautions()["no_landing"]
    assert "moves load rather than removing it" in said
    for words in ("27 %", "Vannatta and Kernozek 2015", "11 %", "Almonroeder et al. 2013", "abstract read"):
        assert words in said


def test_numbers_are_of_recorded_runs_and_groups_are_not_this_athlete():
    said = cautions()["association"]
    assert "recorded runs" in said
    assert "not this athlete" in said
    assert "no cause" in said


def test_cautions_cannot_be_changed_by_a_caller():
    with pytest.raises(TypeError):
        cautions()["hand_over"] = ""  # type: ignore[index]

"""`splitdrift study` on the demo club: what it says, what it refuses, what it leaves alone."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from tests.support.demo_store import CLUB

STUDIES = Path(__file__).parents[2] / "data" / "studies"
TEXT = """\
title = "Contact time"
question = "Does it grow?"
seed = 1

[[analysis]]
name = "quarters"
design = "paired_windows"
metrics = ["contact_time_ms"]
windows = "quarters"
adjust = []
"""
NO_PAGES = 'pages = "none"\n'
SENSORS = """
[[analysis]]
name = "sensors"
design = "agreement"
metrics = ["contact_time_ms"]
"""

pytestmark = pytest.mark.usefixtures("no_outputs")


def study(file: Path, store: Path, out: Path, *more: str | Path) -> Result:
    words = ["study", file, "--store", store, "--out", out, *more]
    return CliRunner().invoke(main, [str(word) for word in words])


def written(folder: Path, text: str = TEXT) -> Path:
    file = folder / "study.toml"
    file.write_text(text, encoding="utf-8")
    return file


def digest(out: Path) -> str:
    return str(json.loads((out / "provenance.json").read_text(encoding="utf-8"))["digest"])


# --- The studies that are shipped ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted((STUDIES / "demo").glob("*.toml")), ids=lambda path: path.stem)
def test_every_study_for_the_invented_club_runs_on_it(path: Path, own_store: Path, tmp_path: Path):
    result = study(path, own_store, tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert f"{(tmp_path / 'out').name}/report.html" in result.output
    # Of cadence over 100 km no slope was printed that could be compared.
    assert (tmp_path / "out" / "published.csv").exists() is (path.stem != "cadence-ultra")


#: Of the studies for real distances only repeatability asks for nothing that the invented club does not have.
REFUSED = {
    "cadence-ultra": "0 athletes with 0 runs are left, and the study asks for at least 3 athletes. The store holds 111 "
    "runs of 10 athletes. Left out: 111 shorter than 90 km.",
    "contact-time-marathon": "0 athletes with 0 runs are left, and the study asks for at least 5 athletes. The store "
    "holds 111 runs of 10 athletes. Left out: 87 of a kind of session other than race, or not listed; 24 shorter than "
    "41 km.",
    "landing-3-and-13km": "no runner was filmed at both km 3 and km 13. Pairs of distances in the store: 5 and 15.",
    "time-trial-5km": "0 athletes with 0 runs are left, and the study asks for at least 5 athletes. The store holds "
    "111 runs of 10 athletes. Left out: 111 of a kind of session other than test, or not listed.",
    "repeatability-of-slopes": None,
}


@pytest.mark.parametrize("name", REFUSED)
def test_studies_of_distances_that_the_invented_club_never_ran_are_refused_with_counts(
    name: str, own_store: Path, tmp_path: Path
):
    result, told = study(STUDIES / f"{name}.toml", own_store, tmp_path / "out"), REFUSED[name]
    if told is None:
        assert result.exit_code == 0, result.output
    else:
        assert result.exit_code == 1
        assert told in " ".join(result.output.split())
        assert not (tmp_path / "out").exists()


# --- What the results depend on --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The races of three athletes of the demo club, and of a fourth what two sensors recorded at once."""
    folder = tmp_path_factory.mktemp("few") / "inbox"
    of_two = ("wick", ("2026-03-01*", "2026-04-07*", "2026-05-18*"))
    for athlete, patterns in (*((one, ("*-lamp*",)) for one in ("brine", "crag", "ember")), of_two):
        for file in sorted(one for pattern in patterns for one in (CLUB / athlete).rglob(pattern)):
            target = folder / file.relative_to(CLUB)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(file, target)
    (folder / "settings.toml").write_text(NO_PAGES, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def few(inbox: Path) -> Path:
    refresh(read_inbox(inbox), inbox.parent / "store", jobs=1)
    return inbox.parent / "store"


def other_store(folder: Path, inbox: Path, *, settings: str = "", without: str = "") -> Path:
    """A store of the same runs, but for a setting or a file."""
    copy = folder / "inbox"
    shutil.copytree(inbox, copy)
    for file in copy.rglob(f"*{without}*") if without else ():
        file.unlink()
    (copy / "settings.toml").write_text(NO_PAGES + settings, encoding="utf-8")
    refresh(read_inbox(copy), folder / "store", jobs=1)
    return folder / "store"


#: Of two sensors the readings of the other one.
OTHER_FIRST = 'sensor_preference = ["self-described", "native"]\n'


@pytest.fixture(scope="module")
def of_other_sensor(inbox: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return other_store(tmp_path_factory.mktemp("other"), inbox, settings=OTHER_FIRST)


def test_the_same_study_again_changes_nothing_and_says_nothing_of_changes(few: Path, tmp_path: Path):
    outs = [study(written(tmp_path), few, tmp_path / "out") for _ in range(2)]
    assert [result.exit_code for result in outs] == [0, 0]
    assert outs[0].output == outs[1].output
    assert "changed" not in outs[1].output


def test_a_changed_seed_is_named_and_changes_the_digest(few: Path, tmp_path: Path):
    study(written(tmp_path), few, tmp_path / "out")
    before = digest(tmp_path / "out")
    result = study(written(tmp_path, TEXT.replace("seed = 1", "seed = 2")), few, tmp_path / "out")
    assert "Changed since the output that was replaced: the study file." in " ".join(result.output.split())
    assert digest(tmp_path / "out") != before


@pytest.mark.parametrize(
    ("changed", "named"),
    [({"settings": "warm_up_m = 2000.0\n"}, "the settings"), ({"without": "third"}, "the recordings and lists")],
    ids=["a setting", "a recording"],
)
def test_a_changed_store_is_named_and_changes_the_digest(
    changed: dict, named: str, few: Path, inbox: Path, tmp_path: Path
):
    study(written(tmp_path), few, tmp_path / "out")
    before = digest(tmp_path / "out")
    result = study(written(tmp_path), other_store(tmp_path, inbox, **changed), tmp_path / "out")
    assert f"output that was replaced: {named}." in " ".join(result.output.split())
    assert digest(tmp_path / "out") != before


def test_a_second_store_counts_in_what_the_result_rests_on(
    few: Path, inbox: Path, of_other_sensor: Path, tmp_path: Path
):
    another = other_store(tmp_path, inbox, settings=f"{OTHER_FIRST}warm_up_m = 2000.0\n")
    file = written(tmp_path, TEXT + SENSORS)
    result = study(file, few, tmp_path / "out", "--against", of_other_sensor)
    assert result.exit_code == 0, result.output
    before = digest(tmp_path / "out")
    result = study(file, few, tmp_path / "out", "--against", another)
    assert "output that was replaced: the settings of the other store." in " ".join(result.output.split())
    assert digest(tmp_path / "out") != before


def test_two_sensors_are_compared_in_the_runs_that_had_both(few: Path, of_other_sensor: Path, tmp_path: Path):
    everybody = TEXT.replace("seed = 1", "seed = 1\nleast_cell = 1") + SENSORS
    study(written(tmp_path, everybody), few, tmp_path / "out", "--against", of_other_sensor)
    [bias] = [
        line for line in (tmp_path / "out" / "results.csv").read_text(encoding="utf-8").splitlines() if "bias" in line
    ]
    assert ",1,3," in bias  # one athlete, three runs
    assert "9 runs that read the same in both stores" in bias


def test_a_second_store_that_nothing_asks_for_is_refused(few: Path, tmp_path: Path):
    result = study(written(tmp_path), few, tmp_path / "out", "--against", few)
    assert result.exit_code == 1
    assert "--against applies to analyses of the design agreement; this study has none." in " ".join(
        result.output.split()
    )


def test_stores_with_splits_of_another_length_are_not_laid_beside_each_other(few: Path, inbox: Path, tmp_path: Path):
    other = other_store(tmp_path, inbox, settings="split_length_m = 500.0\n")
    result = study(written(tmp_path, TEXT + SENSORS), few, tmp_path / "out", "--against", other)
    assert result.exit_code == 1
    assert "here it is 1000 m, in the other store 500 m" in " ".join(result.output.split())


# --- What is left alone ----------------------------------------------------------------------------------------------


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_study_that_fails_leaves_an_earlier_output_as_it_was_and_is_noted_all_the_same(few: Path, tmp_path: Path):
    study(written(tmp_path), few, tmp_path / "out")
    before = contents(tmp_path / "out")
    farther = TEXT.replace("Contact time", "Farther") + "\n[cohort]\nmin_distance_km = 500\n"
    result = study(written(tmp_path, farther), few, tmp_path / "out")
    assert result.exit_code == 1
    assert contents(tmp_path / "out") == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "study.toml"]
    noted = [json.loads(line)["title"] for line in (few / "studies.jsonl").read_text(encoding="utf-8").splitlines()]
    assert noted[-1] == "Farther"


def test_the_note_stands_before_the_result_is_computed(few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.study.conduct.conduct", stopped)
    study(written(tmp_path, TEXT.replace("Contact time", "Stopped")), few, tmp_path / "out")
    assert "Stopped" in (few / "studies.jsonl").read_text(encoding="utf-8")


def test_a_folder_of_other_things_is_refused_before_anything_is_asked(own_store: Path, tmp_path: Path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years", encoding="utf-8")
    result = study(written(tmp_path), own_store, tmp_path / "out")
    assert result.exit_code == 2
    assert "thesis.txt" in result.output
    assert contents(tmp_path / "out") == {"thesis.txt": b"years"}
    assert not (own_store / "studies.jsonl").exists()


def test_an_output_in_the_store_in_the_inbox_or_for_the_root_is_refused(few: Path, inbox: Path, tmp_path: Path):
    folders = {
        few / "study": "is inside the store",
        few / "generations" / "000001": "is inside the store",
        inbox / "ari": "is inside the inbox",
        Path("/"): "is the root of the file system. Name a new folder, such as /study.",
    }
    for out, words in folders.items():
        result = study(written(tmp_path), few, out)
        assert (result.exit_code, words in result.stderr) == (2, True), result.stderr
    assert not (few / "study").exists()


def test_a_file_of_ones_own_beside_an_output_is_not_lost(few: Path, tmp_path: Path):
    study(written(tmp_path), few, tmp_path / "out")
    (tmp_path / "out" / "data" / "notes.txt").write_text("mine", encoding="utf-8")
    result = study(written(tmp_path), few, tmp_path / "out")
    assert result.exit_code == 2
    assert "1, such as data/notes.txt" in " ".join(result.output.split())
    assert (tmp_path / "out" / "data" / "notes.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("content", ["{}", "not json", '{"rests_on": 1, "files": 2}'], ids=str)
def test_a_provenance_of_something_else_is_no_output(content: str, few: Path, tmp_path: Path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "provenance.json").write_text(content, encoding="utf-8")
    assert study(written(tmp_path), few, tmp_path / "out").exit_code == 2
    assert contents(tmp_path / "out") == {"provenance.json": content.encode()}


def test_a_refresh_leaves_register_and_key_alone(inbox: Path, few: Path, tmp_path: Path):
    store = tmp_path / "store"
    shutil.copytree(few, store, symlinks=True)
    shutil.copytree(inbox, tmp_path / "inbox")
    study(written(tmp_path), store, tmp_path / "out")
    before = [(store / name).read_bytes() for name in ("studies.jsonl", "study.key")]
    (tmp_path / "inbox" / "brine" / "2026-05-23-third-lamp.fit.gz").unlink()
    refresh(read_inbox(tmp_path / "inbox"), store, jobs=1)
    assert [(store / name).read_bytes() for name in ("studies.jsonl", "study.key")] == before


def test_stating_a_study_registers_it_and_gives_its_digest_without_computing(few: Path, tmp_path: Path):
    stated = TEXT.replace("Contact time", "Stated")
    words = ["study", "--state", str(written(tmp_path, stated)), "--store", str(few)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    assert hashlib.sha256(stated.encode()).hexdigest() in result.output
    [line] = [json.loads(line) for line in (few / "studies.jsonl").read_text(encoding="utf-8").splitlines()
              if "Stated" in line]  # fmt: skip
    assert line["sha256"] == hashlib.sha256(stated.encode()).hexdigest()
    assert study(tmp_path / "study.toml", few, tmp_path / "out").exit_code == 0
    assert f"Stated on {line['stated_at_utc']}" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_study_without_a_place_for_its_output_says_what_is_missing(few: Path, tmp_path: Path):
    result = CliRunner().invoke(main, ["study", str(written(tmp_path)), "--store", str(few)])
    assert (result.exit_code, "--out" in result.output, "--state" in result.output) == (2, True, True)


# --- Options ---------------------------------------------------------------------------------------------------------


def test_another_key_gives_other_pseudonyms_and_the_same_results(few: Path, tmp_path: Path):
    (tmp_path / "key").write_bytes(b"another key of its own")
    study(written(tmp_path), few, tmp_path / "own")
    study(written(tmp_path), few, tmp_path / "other", "--key", tmp_path / "key")
    own, other = contents(tmp_path / "own"), contents(tmp_path / "other")
    assert {name for name in own if own[name] != other[name]} == {
        "data/stretches.csv", "provenance.json",
    }  # fmt: skip
    athletes = [{line.split(b",")[2] for line in one["data/stretches.csv"].splitlines()[1:]} for one in (own, other)]
    assert len(athletes[0]) == len(athletes[1]) == 4
    assert not athletes[0] & athletes[1]


def test_power_of_one_run_an_athlete_is_refused_and_no_traceback(few: Path, tmp_path: Path):
    one_day = TEXT + '\n[cohort]\nfrom_date = "2026-03-14"\nto_date = "2026-03-14"\n'
    result = study(written(tmp_path, one_day), few, tmp_path / "out", "--power")
    assert result.exit_code == 1
    assert result.output.startswith("splitdrift: quarters: ")


def test_power_of_a_study_without_stretches_is_refused(few: Path, tmp_path: Path):
    trend = TEXT.replace("paired_windows", "trend").replace('windows = "quarters"\n', "")
    result = study(written(tmp_path, trend), few, tmp_path / "out", "--power")
    assert result.exit_code == 1
    assert "this study has none" in result.output


@pytest.mark.parametrize("content", [b"\xff\xfe", None], ids=["not UTF-8", "no file"])
def test_a_file_that_cannot_be_read_is_a_sentence(content: bytes | None, few: Path, tmp_path: Path):
    if content is not None:
        (tmp_path / "study.toml").write_bytes(content)
    result = study(tmp_path / "study.toml", few, tmp_path / "out")
    assert result.exit_code == 2
    assert result.output.startswith("splitdrift: ")


def test_a_mark_of_byte_order_and_other_ends_of_lines_make_no_difference(few: Path, tmp_path: Path):
    (tmp_path / "study.toml").write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    result = study(tmp_path / "study.toml", few, tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert (tmp_path / "out" / "study.toml").read_bytes() == TEXT.replace("\n", "\r\n").encode()


def test_without_a_store_nothing_is_noted(tmp_path: Path):
    (tmp_path / "store").mkdir()
    assert study(written(tmp_path), tmp_path / "store", tmp_path / "out").exit_code == 1
    assert list((tmp_path / "store").iterdir()) == []


def test_help_shows_a_study_and_where_more_are():
    text = CliRunner().invoke(main, ["study", "--help"]).output
    assert 'design = "paired_windows"' in text
    assert "data/studies/" in text

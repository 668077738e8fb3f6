"""The folder that is handed on: whole, repeatable, and without anybody of the store in it."""

from __future__ import annotations

import csv
import hashlib
import hmac
import json
import os
import platform
import re
import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import yaml

from pipeline.core.errors import UsageError
from pipeline.study.conduct import conduct
from pipeline.study.output import earlier_output, write_output
from pipeline.study.pseudonyms import released
from pipeline.study.register import Registered
from pipeline.study.released_tables import RELEASED
from pipeline.study.study_reader import read_study
from tests.support.demo_store import CLUB, Refreshed

KEY = bytes(range(100, 132))
STATED = Registered("2031-01-01T00:00:00+00:00", 0, 1)
QUARTERS = """
[[analysis]]
name = "quarters"
design = "paired_windows"
metrics = ["contact_time_ms"]
windows = "quarters"
"""
LINE = """
[[analysis]]
name = "line"
design = "trend"
metrics = ["cadence_spm"]
"""


def text(*, title: str = "A", top: str = "", cohort: str = "", analyses: str = QUARTERS) -> str:
    return f"title = {json.dumps(title)}\nquestion = 'B'\n{top}\n[cohort]\n{cohort}\n{analyses}"


def given_out(demo: Refreshed, out: Path, stated: str, *, key: bytes = KEY, with_power: bool = False) -> Path:
    study = released(read_study(stated, name="study.toml"), key)
    write_output(out, conduct(study, demo.store, with_power=with_power), STATED, key)
    return out


def files(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def out(demo: Refreshed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of a study that names athletes and devices."""
    stated = text(
        title="Everybody but Tarn, who came by the harbour", top="# Not tarn: ill. Nor the bell watch.",
        cohort='not_athletes = ["tarn"]\ndevices = ["development lamp-room watch", "development harbour watch"]',
        analyses=QUARTERS + LINE,
    )  # fmt: skip
    return given_out(demo, tmp_path_factory.mktemp("study") / "out", stated, with_power=True)


@pytest.fixture(scope="module")
def everybody(demo: Refreshed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output of a study of the whole club."""
    return given_out(demo, tmp_path_factory.mktemp("study") / "out", text())


# --- Whole and repeatable --------------------------------------------------------------------------------------------


def test_the_output_holds_what_the_readme_says(out: Path):
    assert sorted(files(out)) == [
        "CITATION.cff", "DICTIONARY.md", "data/analyses.csv", "data/shared_errors.csv", "data/splits.csv",
        "data/stretches.csv",
        "datapackage.json",
        "figures/01-contact-time-quarters.pdf", "figures/01-contact-time-quarters.svg",
        "figures/02-cadence-line-residuals.pdf", "figures/02-cadence-line-residuals.svg",
        "figures/03-cadence-line-normal-plot.pdf", "figures/03-cadence-line-normal-plot.svg",
        "figures/04-cadence-line-along-the-distance.pdf", "figures/04-cadence-line-along-the-distance.svg",
        "flow.csv", "power.csv", "provenance.json", "recompute.R", "recompute.py", "register.jsonl", "report.html",
        "requirements.txt", "results.csv", "results.parquet", "study.toml",
    ]  # fmt: skip


def test_the_same_study_gives_the_same_bytes_of_every_file(everybody: Path, demo: Refreshed, tmp_path: Path):
    assert files(given_out(demo, tmp_path / "again", text())) == files(everybody)


def test_provenance_holds_the_digest_of_every_other_file(out: Path):
    provenance = json.loads((out / "provenance.json").read_text(encoding="utf-8"))
    assert provenance["files"] == {
        name: hashlib.sha256(content).hexdigest() for name, content in files(out).items() if name != "provenance.json"
    }
    assert provenance["digest"] == hashlib.sha256("\0".join(provenance["rests_on"].values()).encode()).hexdigest()
    assert provenance["settings"]["split_length_m"] == 1000.0
    libraries = {"numpy", "scipy", "statsmodels", "polars", "duckdb", "pyarrow", "fitdecode"}
    assert libraries <= set(provenance["libraries"])
    assert provenance["python"].endswith(platform.python_version())
    pinned = (out / "requirements.txt").read_text(encoding="utf-8").splitlines()
    assert f"numpy=={np.__version__}" in pinned


def test_both_forms_of_the_results_say_the_same(everybody: Path):
    rows = pl.read_parquet(everybody / "results.parquet")
    assert rows.write_csv() == (everybody / "results.csv").read_text(encoding="utf-8")


def test_what_a_spreadsheet_would_run_is_disarmed(demo: Refreshed, tmp_path: Path):
    out = given_out(demo, tmp_path / "out", text(analyses=QUARTERS.replace('name = "', 'name = "=1+1 ')))
    assert {line.partition(",")[0][:6] for line in (out / "results.csv").read_text().splitlines()[1:]} == {"'=1+1 "}


def test_every_column_that_is_given_out_is_explained_to_people_and_to_programs(out: Path):
    words = (out / "DICTIONARY.md").read_text(encoding="utf-8")
    package = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))
    tables = sorted(name for name in files(out) if name.endswith(".csv"))
    assert sorted(resource["path"] for resource in package["resources"]) == tables
    for resource in package["resources"]:
        rows = pl.read_csv(out / resource["path"], infer_schema=False)
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == rows.columns
        key = [rows[name] for name in resource["schema"]["primaryKey"]]
        assert not key or pl.DataFrame(key).is_unique().all(), resource["path"]
        for field in fields:
            assert re.search(rf"^\| {field['name']} \| .* \| \S", words, re.M), field
            if field["type"] in ("integer", "number"):
                rows[field["name"]].cast(pl.Int64 if field["type"] == "integer" else pl.Float64)  # or it raises


def test_a_report_is_smaller_than_a_megabyte_and_pictures_have_their_colours_inside(out: Path):
    assert len(files(out)["report.html"]) < 1_000_000
    for name, content in files(out).items():
        if name.endswith(".svg"):
            assert b"var(" not in content, name
            assert b"#1d2126" in content, name


# --- Nobody of the store ---------------------------------------------------------------------------------------------


def readable(folder: Path) -> str:
    """Everything that can be read in an output; tables in Parquet are packed, so they are unpacked first."""
    packed = [pl.read_parquet(path).write_csv() for path in folder.rglob("*.parquet")]
    return "\n".join([*(content.decode("utf-8", "replace") for content in files(folder).values()), *packed])


def names_of(demo: Refreshed) -> dict[str, set[str]]:
    runs, recordings = demo.table("runs"), demo.table("recordings")
    paths = recordings["path"].to_list()
    with (CLUB / "roster.csv").open(encoding="utf-8") as file:
        roster = list(csv.DictReader(file))
    return {
        "athletes": set(recordings["athlete_id"].drop_nulls()) | {athlete["display_name"] for athlete in roster},
        "notes": {athlete["note"] for athlete in roster if athlete["note"]},
        "runs": set(runs["run_id"]),
        "files": {*paths, *(Path(path).name for path in paths)},
        "digests of files": set(recordings["sha256"].drop_nulls()),
        "devices": set(runs["device"].drop_nulls()),
        "shoes": set(runs["shoe_id"].drop_nulls()),
        "times": {f"{moment:%Y%m%dT%H%M%S}" for moment in runs["started_at_utc"]},
    }


@pytest.mark.parametrize("whose", ["out", "everybody"])
def test_no_name_id_file_device_shoe_or_time_of_the_store_is_anywhere(
    whose: str, demo: Refreshed, request: pytest.FixtureRequest
):
    said = readable(request.getfixturevalue(whose)).casefold()
    for kind, names in names_of(demo).items():
        assert names, kind
        near = [name for name in names if name.casefold() in said]
        leaked = [name for name in near if re.search(rf"(?<!\w){re.escape(name.casefold())}(?!\w)", said)]
        assert leaked == [], kind


def test_no_day_of_a_run_is_in_the_output(everybody: Path, demo: Refreshed):
    days = {f"{moment:%Y-%m-%d}" for moment in demo.table("runs")["started_at_utc"]}
    for name, content in files(everybody).items():
        assert not [day for day in days if day.encode() in content], name


def test_nothing_that_is_in_a_list_of_results_is_among_the_columns():
    columns = {column for schema in RELEASED.values() for column in schema.column_names()}
    pattern = r"date|day|kind|surface|device|speed|pace|length|duration|moving|weight|_s$|_min$|latitude|altitude"
    # How much a runner slowed between two places, to 1 %, is in no list.
    assert {name for name in columns if re.search(rf"(^|_)({pattern})", name)} == {"speed_change"}


def test_the_study_file_names_pseudonyms_and_the_digest_is_that_of_the_file_as_stated(out: Path):
    said = (out / "study.toml").read_text(encoding="utf-8")
    tarn = hmac.digest(KEY, b"athlete tarn", "sha256").hex()[:16]
    assert f'not_athletes = ["{tarn}"]' in said
    assert f"Everybody but {tarn}" in (out / "report.html").read_text(encoding="utf-8")
    provenance = json.loads((out / "provenance.json").read_text(encoding="utf-8"))
    assert provenance["rests_on"]["the study file"] != provenance["files"]["study.toml"]


def test_a_study_that_names_nobody_is_given_out_as_it_was_stated(everybody: Path):
    assert (everybody / "study.toml").read_text(encoding="utf-8") == text()
    provenance = json.loads((everybody / "provenance.json").read_text(encoding="utf-8"))
    assert provenance["rests_on"]["the study file"] == provenance["files"]["study.toml"]


def test_who_has_the_key_can_join_the_two_and_nobody_else(everybody: Path, demo: Refreshed):
    given = pl.read_csv(everybody / "data/stretches.csv")
    drifts = demo.table("athlete_drift").filter(metric="contact_time_ms").drop_nulls("fresh_level")
    runs = demo.table("runs").join(drifts, on="athlete_id", how="semi")

    def joined(key: bytes, of: str, ids: pl.Series) -> set[str]:
        return {hmac.digest(key, f"{of} {name}".encode(), "sha256").hex()[:16] for name in ids}

    assert joined(KEY, "athlete", runs["athlete_id"]) == set(given["athlete"])
    assert set(given["run"]) <= joined(KEY, "run", runs["run_id"])
    for other_key in (b"", b"another", KEY[:-1]):
        assert not joined(other_key, "athlete", runs["athlete_id"]) & set(given["athlete"])
        assert not joined(other_key, "run", runs["run_id"]) & set(given["run"])


def test_the_key_is_nowhere(everybody: Path):
    for name, content in files(everybody).items():
        assert KEY not in content, name
        assert KEY.hex().encode() not in content.lower(), name
    assert KEY.hex() not in readable(everybody)


@pytest.mark.parametrize(("least", "sand"), [(5, True), (6, False)])
def test_a_surface_of_exactly_as_many_athletes_is_told_and_of_one_fewer_is_not(
    least: int, sand: bool, demo: Refreshed, tmp_path: Path
):
    # On sand five athletes of the demo club ran whole kilometres, on trails one.
    analyses = QUARTERS.replace("contact_time_ms", "cadence_spm") + "adjust = []\n"
    given_out(demo, tmp_path / "out", text(top=f"least_cell = {least}", analyses=analyses))
    said = (tmp_path / "out/report.html").read_text(encoding="utf-8")
    assert f"surface: not listed, or with too few athletes to tell (under {least})</th>" in said
    assert "surface: trail" not in said
    assert ("surface: sand" in said) is sand


@pytest.mark.parametrize(("least", "is_given"), [(8, True), (9, False)])
def test_of_a_cohort_smaller_than_the_least_cell_no_splits_are_given_out(
    least: int, is_given: bool, demo: Refreshed, tmp_path: Path
):
    given_out(demo, tmp_path / "out", text(top=f"least_cell = {least}", cohort='kinds = ["race"]'))
    assert (tmp_path / "out/data/stretches.csv").exists() is is_given
    said = (tmp_path / "out/report.html").read_text("utf-8")
    assert ("No runs are released." in said) is not is_given


# --- How to cite it --------------------------------------------------------------------------------------------------

AWKWARD = 'A "title": with # signs, [lists] {maps}, a \\ and\n\ttwo lines\u2028or three \x7f\x85 é - yes'


def test_the_citation_is_yaml_and_keeps_whatever_is_in_title_and_authors(demo: Refreshed, tmp_path: Path):
    authors = ['O\'Hara: "Q"', "- dash\n# no comment", "null", "日本 太郎"]
    stated = f"authors = {json.dumps(authors)}\n" + text(title="x").replace('"x"', json.dumps(AWKWARD))
    citation = yaml.safe_load((given_out(demo, tmp_path / "out", stated) / "CITATION.cff").read_text(encoding="utf-8"))
    assert citation["title"] == AWKWARD
    assert [author["name"] for author in citation["authors"]] == authors
    assert (citation["cff-version"], citation["type"], citation["abstract"]) == ("1.2.0", "dataset", "B")
    assert str(citation["date-released"]) == STATED.stated_at_utc[:10]


def test_the_version_in_the_citation_is_a_text_also_where_it_is_all_digits(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("pipeline.study.study_file.Study.digest", lambda _: "1234567e8901" + "0" * 52)
    citation = yaml.safe_load((given_out(demo, tmp_path / "out", text()) / "CITATION.cff").read_text(encoding="utf-8"))
    assert citation["version"] == "1234567e8901"
    assert citation["authors"] == [{"name": "not named"}]


# --- The folder ------------------------------------------------------------------------------------------------------


def test_a_new_and_an_empty_folder_hold_no_earlier_output(tmp_path: Path):
    assert earlier_output(tmp_path) == earlier_output(tmp_path / "new") == {}


def test_a_file_and_a_link_are_no_folder(tmp_path: Path):
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    (tmp_path / "link").symlink_to(tmp_path)
    for name in ("file", "link"):
        with pytest.raises(UsageError, match="is not a folder"):
            earlier_output(tmp_path / name)


def test_a_write_that_breaks_off_leaves_the_earlier_output_and_nothing_else(
    everybody: Path, demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    given_out(demo, tmp_path / "out", text())

    def full(*_: object) -> str:
        raise OSError("no space left")

    monkeypatch.setattr("pipeline.study.output.report", full)
    with pytest.raises(OSError, match="no space left"):
        given_out(demo, tmp_path / "out", text(title="Other"))
    assert files(tmp_path / "out") == files(everybody)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("which", [1, 2], ids=["before the new one stands", "before the old one is gone"])
def test_a_kill_while_an_output_is_replaced_loses_nothing(
    which: int, everybody: Path, demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    given_out(demo, tmp_path / "out", text())
    renamed, n_renames = os.replace, 0

    def killed(*places: Path) -> None:
        nonlocal n_renames
        n_renames += 1
        if n_renames > which:
            raise SystemExit  # nothing more is renamed, not to put things right either
        renamed(*places)

    with monkeypatch.context() as broken:
        broken.setattr("pipeline.study.output.os.replace", killed)
        broken.setattr("pipeline.study.output.shutil.rmtree", killed_too if which == 2 else shutil.rmtree)
        with pytest.raises(SystemExit):
            given_out(demo, tmp_path / "out", text(title="Other"))
    assert earlier_output(tmp_path / "out") != {}
    stated = (tmp_path / "out" / "study.toml").read_text(encoding="utf-8")
    assert stated == (text() if which == 1 else text(title="Other"))
    assert not (tmp_path / ".out-before").exists()
    if which == 1:
        assert files(tmp_path / "out") == files(everybody)


def killed_too(*_: object, **__: object) -> None:
    raise SystemExit


def test_a_rename_that_fails_puts_the_earlier_output_back_at_once(
    everybody: Path, demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    given_out(demo, tmp_path / "out", text())
    renamed = os.replace

    def failing(source: Path, target: Path) -> None:
        if target.name == "out" and source.name != ".out-before":
            raise OSError("no")
        renamed(source, target)

    monkeypatch.setattr("pipeline.study.output.os.replace", failing)
    with pytest.raises(OSError, match="no"):
        given_out(demo, tmp_path / "out", text(title="Other"))
    assert files(tmp_path / "out") == files(everybody)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_folder_of_ones_own_of_the_name_aside_is_left_alone(demo: Refreshed, tmp_path: Path):
    (tmp_path / ".out-before").mkdir()
    (tmp_path / ".out-before" / "mine").touch()
    given_out(demo, tmp_path / "out", text())
    assert earlier_output(tmp_path / "out")
    assert (tmp_path / ".out-before" / "mine").exists()


def test_an_earlier_output_is_replaced_whole_and_what_it_rested_on_is_compared(demo: Refreshed, tmp_path: Path):
    given_out(demo, tmp_path / "out", text(), with_power=True)
    result = conduct(read_study(text(title="Other"), name="study.toml"), demo.store)
    assert write_output(tmp_path / "out", result, STATED, KEY).changed == ["the study file"]
    assert "power.csv" not in files(tmp_path / "out")
    assert write_output(tmp_path / "out", result, STATED, KEY).changed == []

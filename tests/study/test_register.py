from __future__ import annotations

import json
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from pipeline.core.errors import UsageError
from pipeline.study import register as module
from pipeline.study.register import register, study_key
from pipeline.study.study_file import Study
from pipeline.study.study_reader import read_study

TEXT = """\
title = "Cadence"
question = "Does it fall?"
[[analysis]]
design = "trend"
metrics = ["cadence_spm"]
"""


def study(text: str = TEXT) -> Study:
    return read_study(text, name="study.toml")


class Clock:
    """Tells a day later each time it is asked."""

    def __init__(self) -> None:
        self.n = 0

    def now(self, zone: object) -> object:
        assert zone is UTC
        self.n += 1
        return datetime(2026, 11, 1, tzinfo=UTC) + timedelta(days=self.n)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(module, "datetime", Clock())
    return tmp_path


def test_a_study_keeps_the_time_when_it_was_first_asked(store: Path):
    first = register(store, study())
    assert first.stated_at_utc == "2026-11-02T00:00:00+00:00"
    assert register(store, study()) == first


def test_another_version_has_a_time_of_its_own_and_says_how_many_were_before(store: Path):
    register(store, study())
    changed = register(store, study(TEXT.replace("fall", "rise")))
    assert (changed.stated_at_utc, changed.n_versions_before) == ("2026-11-03T00:00:00+00:00", 1)
    assert register(store, study()).n_versions_before == 0


def test_studies_of_another_title_are_counted_but_are_no_versions(store: Path):
    register(store, study())
    other_study = register(store, study(TEXT.replace("Cadence", "Step rate")))
    assert (other_study.n_versions_before, other_study.n_studies) == (0, 2)


@pytest.mark.usefixtures("store")
def test_studies_of_an_earlier_store_count_and_keep_their_times(tmp_path: Path):
    (tmp_path / "old").mkdir()
    first = register(tmp_path / "old", study(), inputs_sha256="1" * 64)
    changed = study(TEXT.replace("fall", "rise"))
    (tmp_path / "new").mkdir()
    now = register(tmp_path / "new", changed, inputs_sha256="2" * 64, earlier=tmp_path / "old" / "studies.jsonl")
    assert (now.n_studies, now.n_versions_before) == (2, 1)
    assert [line["inputs_sha256"][0] for line in now.lines] == ["1", "2"]
    assert now.lines[0]["stated_at_utc"] == first.stated_at_utc
    assert register(tmp_path / "new", study()) == first


def test_refreshes_before_a_study_was_stated_are_counted_and_later_ones_are_not(store: Path):
    times = ("2026-10-01T00:00:00+00:00", "2026-10-02T00:00:00+00:00", "2026-12-01T00:00:00+00:00")
    (store / "history.jsonl").write_text("".join(f'{{"began_at_utc": "{time}"}}\n' for time in times), "utf-8")
    assert register(store, study()).n_refreshes == 2


def test_the_digest_of_a_study_is_that_of_its_file_whatever_the_ends_of_lines():
    assert study(TEXT).digest() == study(TEXT.replace("\n", "\r\n")).digest() == sha256(TEXT.encode()).hexdigest()


def test_the_store_keeps_one_key_which_only_its_owner_may_read(store: Path):
    key = study_key(store, None)
    assert len(key) == 32
    assert study_key(store, None) == key
    assert (store / "study.key").stat().st_mode & 0o777 == 0o600


def test_another_key_may_be_given(store: Path, tmp_path: Path):
    (tmp_path / "key").write_bytes(b"ours" * 4)
    assert study_key(store, tmp_path / "key") == b"ours" * 4
    assert not (store / "study.key").exists()


@pytest.mark.parametrize("content", [b"", b"\n", b"123456789012345", b" " * 40], ids=repr)
def test_a_key_that_could_be_guessed_is_refused_with_the_way_to_a_better_one(
    content: bytes, store: Path, tmp_path: Path
):
    (tmp_path / "key").write_bytes(content)
    with pytest.raises(UsageError, match=r"at least 16.*python -c \"import secrets"):
        study_key(store, tmp_path / "key")
    (tmp_path / "key").write_bytes(b"1234567890123456")
    assert study_key(store, tmp_path / "key") == b"1234567890123456"


def test_a_store_whose_own_key_was_emptied_is_told_and_not_used(store: Path):
    (store / "study.key").write_bytes(b"")
    with pytest.raises(UsageError, match="has 0 characters"):
        study_key(store, None)


def test_many_studies_at_once_lose_no_line_and_agree_on_one_key(tmp_path: Path):
    def ask(number: int) -> bytes:
        register(tmp_path, study(TEXT.replace("fall", f"fall {number}")))
        return study_key(tmp_path, None)

    with ThreadPoolExecutor(12) as pool:
        keys = set(pool.map(ask, range(48)))
    lines = [json.loads(line) for line in (tmp_path / "studies.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {line["sha256"] for line in lines} == {study(TEXT.replace("fall", f"fall {n}")).digest() for n in range(48)}
    assert len(lines) == 48
    assert len(keys) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["studies.jsonl", "study.key"]


def test_where_files_cannot_have_two_names_the_key_is_made_all_the_same(store: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    assert len(study_key(store, None)) == 32
    assert (store / "study.key").stat().st_mode & 0o777 == 0o600


def test_what_was_noted_is_never_written_again(store: Path):
    register(store, study())
    before = (store / "studies.jsonl").read_bytes()
    register(store, study(TEXT.replace("fall", "rise")))
    assert (store / "studies.jsonl").read_bytes().startswith(before)


def test_the_beginning_of_a_line_that_a_dying_process_left_spoils_nothing(store: Path):
    first = register(store, study())
    with (store / "studies.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"sha256": "ab')
    changed = register(store, study(TEXT.replace("fall", "rise")))
    assert (changed.n_versions_before, changed.n_studies) == (1, 2)
    assert register(store, study()) == first
    assert register(store, study(TEXT.replace("fall", "rise"))) == changed


def test_what_the_register_holds_is_of_the_text_alone(store: Path):
    register(store, replace(study(), title="Cadence"))
    assert "Does it fall" not in (store / "studies.jsonl").read_text(encoding="utf-8")

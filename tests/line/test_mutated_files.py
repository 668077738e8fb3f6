"""Two thousand mutated files: every one has a fate and a reason, none hangs, and the other runs do not change.

A failure names the number of the mutant; `mutant(number)` makes the same file again.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from itertools import repeat
from pathlib import Path

import pytest

from pipeline.core.settings import read_settings
from pipeline.formats.column_mapping import read_mapping
from pipeline.inbox.corrections import read_corrections
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.layout import read_table
from pipeline.study.study_reader import read_study
from tests.fuzz.harness import (
    FATES,
    TookTooLong,
    compare_ways_to_read,
    look_into,
    look_into_columns,
    look_into_lists,
    look_into_written,
    watchdog,
)
from tests.fuzz.mutations import mutated, with_right_checksum
from tests.fuzz.seeds import csv, gpx, lists, seeds, tcx, written
from tests.support.demo_store import CLUB
from tests.support.fit_runs import fit_run

ROOT = Path(__file__).parents[2]
REAL = ROOT.parent / "shared" / "recordings"
N_MUTANTS = 2000
#: A mutant takes some milliseconds.
WATCHDOG_S = 5
LARGEST_BYTES = 300_000

Seed = tuple[str, bytes]


@cache
def sound_files() -> dict[str, list[Seed]]:
    """Generated files, files of the demo club, and real recordings where they are at hand."""
    of_the_club = sorted(path for path in CLUB.rglob("*") if path.is_file() and path.parent != CLUB)
    generated = [("long.tcx", tcx(900)), ("long.gpx", gpx(900)), ("long.csv", csv(900))]
    kinds = {
        "generated": [*(seed for files in seeds().values() for seed in files), *generated],
        "club": [(path.name, path.read_bytes()) for path in of_the_club[:: max(len(of_the_club) // 30, 1)]],
        "real": [(path.name, path.read_bytes()) for path in sorted(REAL.glob("[!l]*/**/*.*")) if path.is_file()],
    }
    return {
        kind: small
        for kind, files in kinds.items()
        if (small := [(name, content) for name, content in files if len(content) <= LARGEST_BYTES])
    }


def mutant(number: int, largest: int = LARGEST_BYTES) -> Seed:
    """The mutant of that number; of a seed longer than `largest` the beginning is taken, as if it had been cut off."""
    source = random.Random(number)
    kinds = sound_files()
    name, content = source.choice(kinds[source.choice(sorted(kinds))])
    _, other = source.choice(kinds[source.choice(sorted(kinds))])
    return name, mutated(content[:largest], other[:largest], source)


def statuses(number: int) -> list[str]:
    name, content = mutant(number)
    with watchdog(WATCHDOG_S):
        return [session.status for session in look_into(name, content)]


# --- The mutator and the harness -------------------------------------------------------------------------------------


def test_a_number_makes_the_same_mutant_every_time():
    digests = [hashlib.sha256(repr([mutant(n) for n in range(40)]).encode()).digest() for _ in range(2)]
    assert digests[0] == digests[1]


def test_mutants_differ_from_what_they_were_made_of():
    for format_name, files in seeds().items():
        for _, content in files:
            mutants = {mutated(content, content, random.Random(n)) for n in range(60)}
            assert len(mutants) > 40, format_name
            assert sum(one == content for one in mutants) <= 1


def test_a_renewed_checksum_brings_a_fit_file_to_the_fast_decoder():
    # Without it every mutant would end at the checksum, and nothing behind that would ever be tried.
    sound = dict(seeds()["fit"])["run.fit"]
    assert with_right_checksum(sound) == sound
    cut = with_right_checksum(sound[:-40])
    assert [one.status for one in look_into("cut.fit", cut)] in (["accepted"], ["salvaged"])


@pytest.mark.parametrize("format_name", ["fit", "csv", "tcx", "gpx", "archive"])
def test_every_fuzz_target_has_seeds_that_are_accepted(format_name: str):
    target = import_module(f"tests.fuzz.fuzz_{format_name}")
    assert target.drive.__module__ == "tests.fuzz.drive"
    for name, content in seeds()[format_name]:
        assert {session.status for session in look_into(name, content)} - {"not_running"} == {"accepted"}


def test_what_people_write_is_read_before_it_is_mutated():
    settings, columns, corrections, study = (content.decode() for content in written())
    assert list(read_settings(settings).metrics) == ["tibial_peak_g"]
    assert read_mapping(columns, "run.csv") is not None
    assert [entry.fault for entry in read_corrections(corrections, "corrections.toml")] == [None, None]
    assert read_study(study, name="study.toml").title == "a"
    for content in written():
        look_into_written(content)


def test_lists_are_read_before_they_are_mutated(tmp_path: Path):
    for content in lists():
        look_into_lists(content, tmp_path)
    look_into_lists(lists()[3], tmp_path)
    assert read_inbox(tmp_path).strikes["strike"].to_list() == ["rearfoot", None, "forefoot", "midfoot"]
    look_into_lists(lists()[-1], tmp_path)
    assert read_inbox(tmp_path).events["kind"].to_list() == ["shoe"]


def test_what_is_read_in_place_and_is_not_what_the_decoders_read_is_a_finding(monkeypatch: pytest.MonkeyPatch):
    content = dict(seeds()["fit"])["run.fit"]
    compare_ways_to_read(content)
    monkeypatch.setattr("pipeline.formats.fit_records._values", lambda raw, _: raw.astype(float))
    with pytest.raises(AssertionError):
        compare_ways_to_read(content)


def test_the_harness_calls_what_is_raised_and_what_breaks_a_promise_a_finding(monkeypatch: pytest.MonkeyPatch):
    def breaks(*_: object, **__: object) -> list[object]:
        raise IndexError

    monkeypatch.setattr("pipeline.formats.tcx.decode", breaks)
    with pytest.raises(IndexError):
        look_into("run.tcx", tcx())
    monkeypatch.setattr("pipeline.formats.tcx.decode", lambda *_: [])
    with pytest.raises(AssertionError):
        look_into("run.tcx", tcx())


def test_the_watchdog_ends_what_waits_and_what_computes_for_ever():
    with pytest.raises(TookTooLong), watchdog(0.05):
        signal.pause()
    with pytest.raises(TookTooLong), watchdog(0.05):
        all(True for _ in repeat(None))


# --- Two thousand ----------------------------------------------------------------------------------------------------


def test_a_hundred_mutants_are_each_read_or_refused_with_a_reason():
    fates = Counter(status for number in range(100) for status in statuses(number))
    assert {"accepted", "rejected", "salvaged"} <= set(fates) <= set(FATES)


def test_sixty_mutants_of_each_kind_keep_what_only_that_kind_promises(tmp_path: Path):
    def mutants(starts: list[bytes]) -> Iterator[bytes]:
        for number in range(60):
            source = random.Random(number)
            yield mutated(source.choice(starts), source.choice(starts), source)

    with watchdog(60):
        for content in mutants(lists()):
            look_into_lists(content, tmp_path)
        for content in mutants([content for _, content in seeds()["csv"]]):
            look_into_columns(content)
        for content in mutants([content for _, content in seeds()["fit"]]):
            compare_ways_to_read(content)


@pytest.mark.depth
@pytest.mark.parametrize("first", range(0, N_MUTANTS, 200))
def test_two_thousand_mutants_are_each_read_or_refused_with_a_reason(first: int):
    for number in range(first, first + 200):
        try:
            assert statuses(number)
        except (Exception, TookTooLong) as error:
            name, content = mutant(number)
            pytest.fail(f"mutant({number}), {name} of {len(content)} bytes: {type(error).__name__}: {error}")


# --- In an inbox -----------------------------------------------------------------------------------------------------


def refreshed(inbox: Path, store: Path) -> Path:
    """A store made by the command, as a user would."""
    environment = {name: value for name, value in os.environ.items() if name != "PREFECT_API_URL"}
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "refresh", "--inbox", inbox, "--store", store, "--jobs", "1"],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert "Traceback" not in done.stderr
    assert "panicked" not in done.stderr
    return store


def good_inbox(folder: Path) -> Path:
    """Two athletes whose files are sound."""
    for athlete_id, m_s in (("ari", 3.0), ("bo", 3.3)):
        (folder / athlete_id).mkdir(parents=True)
        (folder / "settings.toml").write_text('pages = "none"\n')
        for day in range(3):
            content = fit_run(f"2026-03-{14 + day:02}T09:00:00", km=3, speed_m_s=m_s, heart_rate_bpm=150)
            (folder / athlete_id / f"{day}.fit").write_bytes(content)
    return folder


def bytes_of_the_good(store: Path) -> dict[str, bytes]:
    """Every file of samples and splits of the good athletes, by its place in the newest tables."""
    tables = store.resolve() / "tables"
    return {
        path.relative_to(tables).as_posix(): path.read_bytes()
        for table in ("samples", "splits")
        for athlete_id in ("ari", "bo")
        for path in sorted((tables / table / f"athlete_id={athlete_id}").rglob("*.parquet"))
    }


@pytest.mark.slow
@pytest.mark.parametrize("n_mutants", [100, pytest.param(N_MUTANTS, marks=pytest.mark.depth)])
def test_mutants_in_an_inbox_are_all_in_the_ledger_and_change_nothing_of_the_others(tmp_path: Path, n_mutants: int):
    refresh(read_inbox(good_inbox(tmp_path / "good")), tmp_path / "alone", jobs=1)
    alone = bytes_of_the_good(tmp_path / "alone")
    assert len(alone) >= 6

    inbox = good_inbox(tmp_path / "inbox")
    (inbox / "zed").mkdir()
    for number in range(n_mutants):
        name, content = mutant(number, largest=8000)
        (inbox / "zed" / f"{number:04}-{name}").write_bytes(content)
    store = refreshed(inbox, tmp_path / "store")

    ledger = read_table(store, "recordings")
    found = set(ledger["path"].str.split("!").list.first())
    assert found == {path.relative_to(inbox).as_posix() for path in inbox.rglob("*/*") if path.is_file()}
    assert not ledger["reason"].str.contains("splitdrift failed").any()
    assert (ledger["reason"].str.len_chars() > 15).all()
    assert ledger.filter(status="rejected")["fix"].null_count() == 0
    listed = (store / "rejected" / "rejected.csv").read_text(encoding="utf-8")
    assert all(path in listed for path in ledger.filter(status="rejected")["path"])
    assert bytes_of_the_good(store) == alone

"""What an interrupted refresh had finished is taken over, if it is whole and nothing that it depends on has changed."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path
from tempfile import gettempdir

import polars as pl
import pytest

from pipeline.core.places import remove_tree
from pipeline.store import finished
from pipeline.store.bundles import Bundle, read_bundle, write_bundle
from pipeline.store.finished import Finished, n_files_kept, remove_older
from pipeline.store.generations import FINISHED, building, generations, prepare, sweep, unfinished
from pipeline.store.sections import Section

KEYS = {"a.fit": "key a", "b.fit": "key b", "c.fit": "key c"}
SAMPLES = "tables/samples/athlete_id=ari/month=2026-03/{}.parquet"


def shard(built: Path, *files: str) -> Bundle:
    """A shard's bundle, written."""
    samples = [SAMPLES.format(file) for file in files]
    write_bundle(built, f"gathered/{files[0]}", {"runs": pl.DataFrame({"samples_file": samples})})
    return Bundle(f"gathered/{files[0]}", "ari", has_runs=True, files=files, samples=tuple(samples))


def interrupted(store: Path, *shards: tuple[str, ...], error: BaseException | None = None) -> None:
    """A build that keeps a few shards and is interrupted then."""
    prepare(store)

    def build() -> None:
        with building(store, keep=5, resumes=True) as built:
            ours = Finished(store, KEYS)
            for files in shards:
                for file in files:
                    path = built / SAMPLES.format(file)
                    path.parent.mkdir(parents=True, exist_ok=True)
                    path.write_text(f"samples of {file}")
                ours.keep(built, shard(built, *files))
            raise error or KeyboardInterrupt

    with pytest.raises(type(error) if error is not None else KeyboardInterrupt):
        build()


def taken_over(store: Path, keys: dict[str, str] | None = None, wanted: set[str] | None = None) -> list[list[str]]:
    """The files of the shards that a next build takes over, after which it ends well."""
    with building(store, keep=5, resumes=True) as built:
        of_wanted = {path: key for path, key in (keys or KEYS).items() if wanted is None or path in wanted}
        shards = list(Finished(store, of_wanted).take_over(built, Section()))
        remove_older(store, built)
        for bundle in shards:
            assert (bundle.athlete_id, bundle.has_runs) == ("ari", True)
            assert read_bundle(built, bundle.name)["runs"]["samples_file"].to_list() == list(bundle.samples)
            for name, file in zip(bundle.samples, bundle.files, strict=True):
                assert (built / name).read_text() == f"samples of {file}"
        assert n_files_kept(store) == sum(len(bundle.files) for bundle in shards)
        assert not any(state.name != built.name for state in unfinished(store)), "what is taken over is removed there"
        remove_tree(built / FINISHED)
    return sorted(sorted(bundle.files) for bundle in shards)


def test_shards_of_an_interrupted_build_are_taken_over_with_their_samples(tmp_path: Path):
    interrupted(tmp_path, ("a.fit", "b.fit"), ("c.fit",))
    assert generations(tmp_path) == []
    assert taken_over(tmp_path) == [["a.fit", "b.fit"], ["c.fit"]]
    assert [state.name for state in generations(tmp_path)] == ["000002"]
    assert len(list((tmp_path / "generations").iterdir())) == 1


def test_a_shard_is_taken_over_only_whole_and_with_the_same_keys(tmp_path: Path):
    interrupted(tmp_path, ("a.fit", "b.fit"), ("c.fit",))
    assert taken_over(tmp_path, {**KEYS, "b.fit": "another"}) == [["c.fit"]]
    interrupted(tmp_path, ("a.fit", "b.fit"), ("c.fit",))
    assert taken_over(tmp_path, wanted={"a.fit", "c.fit"}) == [["c.fit"]]


def test_what_two_interrupted_builds_left_is_taken_over_once(tmp_path: Path):
    interrupted(tmp_path, ("a.fit",), ("b.fit",))
    interrupted(tmp_path, ("b.fit",), ("c.fit",))
    assert taken_over(tmp_path) == [["a.fit"], ["b.fit"], ["c.fit"]]


def test_what_was_taken_over_is_kept_when_that_build_is_interrupted_too(tmp_path: Path):
    interrupted(tmp_path, ("a.fit",))

    def again() -> None:
        with building(tmp_path, keep=5, resumes=True) as built:
            assert len(list(Finished(tmp_path, KEYS).take_over(built, Section()))) == 1
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        again()
    assert taken_over(tmp_path) == [["a.fit"]]


def shortened_samples(state: Path) -> None:
    (state / SAMPLES.format("a.fit")).write_text("")


def removed_samples(state: Path) -> None:
    (state / SAMPLES.format("a.fit")).unlink()


def half_a_description(state: Path) -> None:
    (about,) = state.glob("finished/*/about.json")
    about.write_text(about.read_text()[:20])


def half_a_bundle(state: Path) -> None:
    (bundle,) = state.glob("finished/*/bundle")
    bundle.write_bytes(bundle.read_bytes()[:40])


def other_samples(state: Path) -> None:
    file = state / SAMPLES.format("a.fit")
    file.write_bytes(bytes(len(file.read_bytes())))


def another_bundle(state: Path) -> None:
    (bundle,) = state.glob("finished/*/bundle")
    write_bundle(bundle.parent, bundle.name, {"runs": pl.DataFrame({"samples_file": ["another"]})})


HARMS = [shortened_samples, removed_samples, other_samples, half_a_description, half_a_bundle, another_bundle]


@pytest.mark.parametrize("harm", HARMS)
def test_a_damaged_shard_is_not_taken_over(tmp_path: Path, harm: Callable[[Path], None]):
    interrupted(tmp_path, ("a.fit",))
    (state,) = unfinished(tmp_path)
    harm(state)
    assert taken_over(tmp_path) == []


def test_after_a_restart_of_the_machine_only_what_was_synced_is_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    interrupted(tmp_path, ("a.fit",))
    monkeypatch.setattr(finished, "_boot", lambda: "after the restart")
    (state,) = unfinished(tmp_path)
    (state / "finished" / "synced").unlink()  # as after kill -9
    assert taken_over(tmp_path) == []
    interrupted(tmp_path, ("a.fit",))
    (about,) = tmp_path.glob("generations/*/finished/*/about.json")
    about.write_text(json.dumps({**json.loads(about.read_text()), "boot": "before the restart"}))
    assert taken_over(tmp_path) == [["a.fit"]]


@pytest.mark.parametrize(
    ("error", "is_kept"),
    [
        (OSError(errno.EIO, os.strerror(errno.EIO)), True),
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), False),
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), gettempdir()), True),
        (SystemExit(0), True),
        (ValueError("a bug"), False),
    ],
)
def test_results_stay_unless_the_disk_is_full_or_the_fault_is_ours(tmp_path: Path, error: BaseException, is_kept: bool):
    interrupted(tmp_path, ("a.fit",), error=error)
    assert bool(unfinished(tmp_path)) == is_kept


def test_a_build_that_takes_nothing_over_leaves_them_and_a_sweep_does_not(tmp_path: Path):
    interrupted(tmp_path, ("a.fit",))
    with building(tmp_path, keep=5):
        pass
    assert len(unfinished(tmp_path)) == 1
    sweep(tmp_path, keep=5)
    assert unfinished(tmp_path) == []

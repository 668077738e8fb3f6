"""The history of a store: a line a refresh, of what came in, what was refused and whose finding changed."""

from __future__ import annotations

import io
import json
import re
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import building, generations, link_tree, point_to, published
from pipeline.store.history import HISTORY, catch_up, changed_findings, read_history, what_came_in
from tests.support.nights import CLOCKLESS, Nights, drifting_run

pytestmark = pytest.mark.usefixtures("no_outputs")


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """An athlete with a run, refreshed once; see `nights`."""
    club = Nights(tmp_path_factory.mktemp("history") / "club", outputs=False)
    club.put("settings.toml", 'pages = "none"\n')
    club.put("ari/0.fit", drifting_run(0))
    club.refresh()
    return club.remember()


@pytest.fixture
def nights(refreshed_club: Nights) -> Nights:
    """That club, to be changed."""
    return refreshed_club.restored()


def lines(club: Nights) -> list[str]:
    return (club.store / HISTORY).read_text(encoding="utf-8").splitlines()


def newest(club: Nights) -> dict[str, Any]:
    return read_history(club.store)[-1]


# --- What it tells ---------------------------------------------------------------------------------------------------


def test_it_tells_what_came_in_what_changed_and_what_went(nights: Nights):
    nights.put("ari/1.fit", drifting_run(1))
    nights.put("bo/0.fit", drifting_run(0))
    nights.refresh()
    (nights.inbox / "bo" / "0.fit").unlink()
    nights.put("ari/1.fit", drifting_run(1, seed=2))
    nights.put("cy/0.fit", drifting_run(0))
    nights.refresh()
    keys = ("generation", "new", "changed", "gone", "athletes")
    assert [[record[key] for key in keys] for record in read_history(nights.store)] == [
        ["000001", ["ari/0.fit"], [], [], ["ari"]],
        ["000002", ["ari/1.fit", "bo/0.fit"], [], [], ["ari", "bo"]],
        ["000003", ["cy/0.fit"], ["ari/1.fit"], ["bo/0.fit"], ["ari", "bo", "cy"]],
    ]
    assert [newest(nights)[f"n_{what}"] for what in ("new", "changed", "gone", "refused")] == [1, 1, 1, 0]
    assert newest(nights)["statuses"] == {"accepted": 3}


def test_it_tells_what_was_refused_this_time_and_why(nights: Nights):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.fit", drifting_run(5))
        archive.writestr("b.fit", b"broken")
    nights.put("ari/spring!.zip", packed.getvalue())
    nights.put("bo/watch!.csv", CLOCKLESS)
    nights.put("loose.fit", b"")
    nights.refresh()
    reasons = {row["path"]: row["reason"] for row in newest(nights)["refused"]}
    assert list(reasons) == ["ari/spring!.zip!b.fit", "bo/watch!.csv", "loose.fit"]
    assert reasons["bo/watch!.csv"] == "The file says how much time went by but not when it began."
    assert reasons["loose.fit"] == "The file is in the inbox itself, so it belongs to no athlete."
    assert (newest(nights)["n_refused"], newest(nights)["statuses"]) == (3, {"accepted": 2, "rejected": 3})
    nights.put("ari/1.fit", drifting_run(1))
    nights.refresh()
    assert (newest(nights)["refused"], newest(nights)["statuses"]["rejected"]) == ([], 3), "told once"


def test_it_tells_when_and_for_how_long(tmp_path: Path):
    before = datetime.now(UTC).replace(microsecond=0)
    club = Nights(tmp_path)
    club.put("ari/0.fit", drifting_run(0))
    club.refresh()
    after = datetime.now(UTC)
    assert before <= datetime.fromisoformat(newest(club)["began_at_utc"]) <= after
    assert 0 <= newest(club)["seconds"] <= (after - before).total_seconds() + 0.1


def finding(*rows: tuple[str, str, str]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["athlete_id", "metric", "finding"], orient="row")


def test_findings_that_changed_came_or_went_are_told_and_others_are_not():
    before = finding(
        ("ari", "cadence_spm", "holds"), ("ari", "contact_time_ms", "rises"), ("bo", "cadence_spm", "falls")
    )
    after = finding(
        ("ari", "cadence_spm", "holds"), ("ari", "contact_time_ms", "holds"), ("cy", "cadence_spm", "rises")
    )
    assert [tuple(change.values()) for change in changed_findings(before, after)] == [
        ("ari", "contact_time_ms", "rises", "holds"),
        ("bo", "cadence_spm", "falls", None),
        ("cy", "cadence_spm", None, "rises"),
    ]


def test_a_run_that_makes_a_finding_possible_is_told_with_the_finding_before_and_after(nights: Nights):
    for day in (1, 2, 3):
        nights.put(f"ari/{day}.fit", drifting_run(day, seed=day))
    nights.refresh()
    drifts = pl.read_parquet(published(nights.store) / "tables/athlete_drift/athlete_drift.parquet")
    now = dict(drifts.select("metric", "finding").iter_rows())
    findings = {finding["metric"]: (finding["before"], finding["after"]) for finding in newest(nights)["findings"]}
    assert findings, "three runs allow a finding that one does not"
    assert {metric: after for metric, (_, after) in findings.items()} == {metric: now[metric] for metric in findings}
    nights.put("bo/0.fit", drifting_run(0))
    nights.refresh()
    assert {finding["athlete_id"] for finding in newest(nights)["findings"]} <= {"bo"}


def test_no_reading_and_no_position_is_in_it(nights: Nights):
    track = "".join(
        f'<trkpt lat="47.{371234 + step}" lon="8.{541234 + step}"><ele>433.25</ele>'
        f"<time>2026-04-01T09:{step // 60:02}:{step % 60:02}Z</time></trkpt>"
        for step in range(0, 1200, 5)
    )
    head = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    nights.put("bo/track.gpx", f"{head}{track}</trkseg></trk></gpx>")
    nights.put("bo/odd.csv", "elapsed_s,distance_m,heart_rate_bpm\n0,0,171.25\n9,30,171.25\n")
    nights.refresh()
    assert "bo/track.gpx" in newest(nights)["new"]
    known = r"[\d-]+T[\d:]+\+00:00|\b[\w/]+\.(?:fit|csv|gpx)\b|\"(?:generation|seconds|n_\w+|\w+)\": \"?[\d.]+\"?"
    for line in lines(nights):
        assert re.findall(r"\d+\.\d+", re.sub(known, "", line)) == [], "no number but times and counts"
        assert not re.search(r"47\.37|8\.54|433|171", line)


# --- When nothing is new ---------------------------------------------------------------------------------------------


def test_a_refresh_that_found_nothing_new_says_so_in_a_line_of_its_own(nights: Nights):
    nights.refresh()
    nights.refresh()
    assert [sorted(record) for record in read_history(nights.store)[1:]] == [
        ["began_at_utc", "generation", "nothing_new", "seconds"]
    ] * 2
    assert [record["generation"] for record in read_history(nights.store)] == ["000001"] * 3


# --- Whatever kills it -----------------------------------------------------------------------------------------------


def test_a_line_cut_off_by_a_kill_is_told_again_on_a_line_of_its_own(nights: Nights):
    whole = (nights.store / HISTORY).read_bytes()
    for length in (1, len(whole) // 2, len(whole) - 2):
        (nights.store / HISTORY).write_bytes(whole[:length])
        catch_up(nights.store)
        assert [record["generation"] for record in read_history(nights.store)] == ["000001"]
        assert (nights.store / HISTORY).read_bytes() == whole[:length] + b"\n" + whole


def test_a_line_whose_end_alone_is_missing_is_not_told_twice(nights: Nights):
    whole = (nights.store / HISTORY).read_bytes()
    (nights.store / HISTORY).write_bytes(whole[:-1])
    nights.refresh()
    assert [record.get("nothing_new", False) for record in read_history(nights.store)] == [False, True]


@pytest.mark.parametrize("next_night", ["with a new run", "with nothing new"])
def test_a_kill_between_publication_and_noting_is_made_up_for_by_the_next_refresh(
    nights: Nights, monkeypatch: pytest.MonkeyPatch, next_night: str
):
    nights.put("ari/1.fit", drifting_run(1))

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    calls = iter([catch_up, killed])

    def at_first_then_killed(store: Path) -> None:
        next(calls)(store)

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.refresh.refresh.catch_up", at_first_then_killed)
        with pytest.raises(KeyboardInterrupt):
            nights.refresh()
    assert [record["generation"] for record in read_history(nights.store)] == ["000001"]
    assert published(nights.store).name == "000002"
    if next_night == "with a new run":
        nights.put("ari/2.fit", drifting_run(2))
    nights.refresh()
    came_in = [(record["generation"], record.get("new")) for record in read_history(nights.store)]
    last = ("000003", ["ari/2.fit"]) if next_night == "with a new run" else ("000002", None)
    assert came_in == [("000001", ["ari/0.fit"]), ("000002", ["ari/1.fit"]), last]


def test_a_state_that_was_made_from_another_without_a_refresh_is_no_refresh(nights: Nights):
    # As the self-check does: everything is linked, the record too.
    with building(nights.store, keep=5) as built:
        link_tree(generations(nights.store)[0], built, Path())
    for _ in range(3):
        catch_up(nights.store)
    assert [record["generation"] for record in read_history(nights.store)] == ["000001"]


def test_it_outlives_the_states_and_a_return_to_an_old_one(nights: Nights):
    nights.put("settings.toml", 'keep_generations = 2\npages = "none"\n')
    for day in (1, 2, 3):
        nights.put(f"ari/{day}.fit", drifting_run(day, seed=day))
        nights.refresh()
    assert [record.name for record in generations(nights.store)] == ["000003", "000004"]
    point_to(nights.store, generations(nights.store)[0])
    nights.refresh()
    assert [record["generation"] for record in read_history(nights.store)] == [f"{number:06}" for number in range(1, 6)]
    assert newest(nights)["new"] == ["ari/3.fit"]


def test_a_record_lies_in_its_generation_too_and_is_plain_json(nights: Nights):
    record = (published(nights.store) / "refresh.json").read_text(encoding="utf-8")
    assert [json.loads(record)] == [json.loads(line) for line in lines(nights)]


def test_a_store_without_history_has_an_empty_one(tmp_path: Path):
    assert read_history(tmp_path) == []


def test_long_lists_of_names_are_cut_and_counted_whole(tmp_path: Path):
    club = Nights(tmp_path)
    club.put("ari/0.fit", drifting_run(0))
    for number in range(250):
        club.put(f"ari/{number}.xyz", b"")
    refresh(read_inbox(club.inbox), club.store, jobs=1)
    assert (newest(club)["n_new"], len(newest(club)["new"])) == (251, 200)
    assert (newest(club)["n_refused"], len(newest(club)["refused"])) == (250, 200)


def test_the_last_refresh_is_told_in_a_sentence(nights: Nights):
    came_in = [what_came_in(nights.store)]
    nights.refresh()
    came_in.append(what_came_in(nights.store))
    nights.put("ari/1.fit", drifting_run(1))
    nights.put("ari/2.fit", drifting_run(2))
    (nights.inbox / "ari" / "0.fit").unlink()
    nights.refresh()
    assert [*came_in, what_came_in(nights.store)] == [
        "Since the refresh before: 1 new.",
        "Nothing is new since the refresh before, so nothing was computed.",
        "Since the refresh before: 2 new, 1 gone.",
    ]

"""What is known from the refresh before: only what changed is redone, and the state is as if everything had been."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.errors import NothingDone
from pipeline.core.metrics import METRICS
from pipeline.core.settings import ANALYSIS, READING, Settings, settings_text
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.athlete import analyse, analyse_after_club, respond
from pipeline.refresh.by_section import plan
from pipeline.refresh.context import Athlete, AthleteTask, BuildContext
from pipeline.refresh.shard import measure
from pipeline.refresh.steps import responses_over
from pipeline.stages.responses import club_responses
from pipeline.store.bundles import read_bundle
from pipeline.store.generations import generations, published
from pipeline.store.history import HISTORY, read_history
from pipeline.store.known import KeptRows, with_digests, write_part
from pipeline.store.layout import read_table
from pipeline.store.sections import Section
from pipeline.workers.pool import here
from tests.support.fit_runs import fit_run
from tests.support.nights import CLOCKLESS, Done, Nights, drifting_run, noted_anew
from tests.support.privileges import no_privilege

NO_PAGES = 'pages = "none"\n'


#: What leaves fewer metrics to estimate; what rests on contact time and mass is compared in a club with pages.
FEW = {"contact_time_ms": np.nan}


def refreshed_in(nights: Nights, settings: str, **columns: float) -> Nights:
    """Two athletes with two runs each and a clockless one, refreshed once."""
    for number in range(2):
        nights.put(f"ari/{number}.fit", drifting_run(number, seed=number, **columns))
        nights.put(f"bo/{number}.fit", drifting_run(number, seed=10 + number, **columns))
    nights.put("bo/watch.csv", CLOCKLESS)
    nights.put("roster.csv", "athlete_id,mass_kg,height_m,leg_length_m\nari,60,1.7,0.9\nbo,70,1.8,0.95\n")
    nights.put("sessions.csv", "file,started_at_utc,kind\nbo/watch.csv,2026-03-20T09:00:00Z,training\n")
    nights.put("settings.toml", settings)
    nights.refresh()
    return nights.remember()


@pytest.fixture(scope="module")
def refreshed_club(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    return refreshed_in(Nights(tmp_path_factory.mktemp("known") / "club", outputs=False), NO_PAGES, **FEW)


@pytest.fixture(scope="module")
def refreshed_club_with_pages(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    return refreshed_in(Nights(tmp_path_factory.mktemp("drawn") / "club"), 'pages = "names"\n')


@pytest.fixture
def club(refreshed_club: Nights) -> Nights:
    """That club, to be changed."""
    return refreshed_club.restored()


@pytest.fixture
def club_with_pages(refreshed_club_with_pages: Nights) -> Nights:
    """The same, to compare its pages, exports and database too."""
    return refreshed_club_with_pages.restored()


NOBODY: list[str] = []
ARI, BO, BOTH = ["ari"], ["bo"], ["ari", "bo"]
BO_FILES = ["bo/0.fit", "bo/1.fit", "bo/watch.csv"]

# --- Nothing new -----------------------------------------------------------------------------------------------------


def everything(store: Path) -> dict[str, tuple[bytes, int]]:
    """Bytes and inode of all files but the history."""
    files = {path.relative_to(store).as_posix(): path for path in store.rglob("*") if path.is_file()}
    return {name: (path.read_bytes(), path.stat().st_ino) for name, path in files.items() if name != HISTORY}


def test_where_nothing_is_new_nothing_is_read_or_written_but_a_line_of_history(club: Nights):
    before = everything(club.store)
    done = club.refresh()
    assert (done.read, done.responded, done.analysed) == ([], [], [])
    assert everything(club.store) == before
    assert [record.get("nothing_new", False) for record in read_history(club.store)] == [False, True]
    assert done.ledger.equals(read_table(club.store, "recordings"))


def test_a_touched_or_rewritten_file_with_the_same_content_is_nothing_new(club: Nights):
    os.utime(club.inbox / "ari" / "0.fit", (1, 1))
    club.put("bo/0.fit", (club.inbox / "bo" / "0.fit").read_bytes())
    assert club.refresh().read == []
    assert len(generations(club.store)) == 1


# --- What a change touches -------------------------------------------------------------------------------------------

Change = Callable[[Nights], Any]


def put(name: str, content: bytes | str) -> Change:
    return lambda nights: nights.put(name, content)


def remove(name: str) -> Change:
    return lambda nights: (nights.inbox / name).unlink()


def move(name: str, to: str) -> Change:
    return lambda nights: (nights.inbox / name).rename(nights.inbox / to)


def setting(line: str) -> Change:
    return lambda nights: nights.put("settings.toml", (nights.inbox / "settings.toml").read_text() + line)


CORRECTION = "[[correction]]\ncadence_factor = 1.02\n"
ROSTER = "athlete_id,display_name,mass_kg,height_m,leg_length_m\n"
LISTED = "file,started_at_utc,kind,surface\n"
NOTHING = (NOBODY, NOBODY, NOBODY)
#: What changes, which files are then read, whose responses and drift are computed.
CHANGES: dict[str, tuple[Change, list[str], list[str], list[str]]] = {
    "a new file": (put("ari/2.fit", drifting_run(2)), ["ari/2.fit"], ARI, ARI),
    "a file with other content": (put("ari/1.fit", drifting_run(1, seed=9)), ["ari/1.fit"], ARI, ARI),
    "a broken file": (put("ari/2.fit", b"broken"), ["ari/2.fit"], ARI, ARI),
    "a file that goes": (remove("ari/1.fit"), [], ARI, ARI),
    "a file of another name": (move("ari/1.fit", "ari/one.fit"), ["ari/one.fit"], ARI, ARI),
    "a file of another athlete": (move("ari/1.fit", "bo/2.fit"), ["bo/2.fit"], BOTH, BOTH),
    "a file that is nobody's": (put("loose.fit", b""), ["loose.fit"], NOBODY, NOBODY),
    "a new athlete": (put("cy/0.fit", drifting_run()), ["cy/0.fit"], ["cy"], ["cy"]),
    "another mass": (put("roster.csv", f"{ROSTER}ari,,60,1.7,0.9\nbo,,71,1.8,0.95\n"), BO_FILES, BO, BO),
    "another name on the roster": (put("roster.csv", f"{ROSTER}ari,Ari,60,1.7,0.9\nbo,,70,1.8,0.95\n"), *NOTHING),
    "somebody else on the roster": (
        put("roster.csv", f"{ROSTER}ari,,60,1.7,0.9\nbo,,70,1.8,0.95\ncy,,50,,\n"),
        *NOTHING,
    ),
    "another start of a clockless recording": (
        put("sessions.csv", f"{LISTED}bo/watch.csv,2026-03-21T09:00:00Z,training,\n"), ["bo/watch.csv"], BO, BO,
    ),
    "another kind of session": (put("sessions.csv", f"{LISTED}bo/watch.csv,2026-03-20T09:00:00Z,race,\n"), *NOTHING),
    "another surface": (put("sessions.csv", f"{LISTED}bo/watch.csv,2026-03-20T09:00:00Z,training,track\n"), *NOTHING),
    "no sessions any more": (remove("sessions.csv"), ["bo/watch.csv"], BO, BO),
    "columns of an athlete described": (
        put("bo/columns.toml", '[columns]\n"cadence_spm" = "cadence_strides_min"\n'), BO_FILES, BO, BO,
    ),
    "columns described for nobody": (put("none/columns.toml", "[columns]\n"), *NOTHING),
    "a correction of one file": (put("ari/corrections.toml", f'{CORRECTION}file = "1.fit"\n'), ["ari/1.fit"], ARI, ARI),
    "a correction of an athlete": (put("corrections.toml", f'{CORRECTION}athlete_id = "bo"\n'), BO_FILES, BO, BO),
    "a correction of nothing": (put("corrections.toml", f'{CORRECTION}file = "cy/*"\n'), *NOTHING),
    "a correction with a fault": (put("corrections.toml", "[[correction]]\nspor = 1\n"), *NOTHING),
    "tags of a file": (
        put("corrections.toml", '[[correction]]\nfile = "bo/1.fit"\ntags = { team = "north" }\n'), ["bo/1.fit"], BO, BO,
    ),
    "a complaint": (put("complaints.csv", "athlete_id,from_date,site\nari,2026-03-15,left knee\n"), *NOTHING),
    "a landing": (put("strikes.csv", "athlete_id,date,distance_km,strike\nari,2026-03-14,1,heel\n"), *NOTHING),
    "a setting of reading": (
        setting("split_length_m = 500\n"), ["ari/0.fit", "ari/1.fit", *BO_FILES], BOTH, BOTH,
    ),
    "a metric of one's own": (
        setting('[metrics.peak_g]\ncolumn = "Peak"\nunit = "g"\nsmallest_change_pct = 2\n'),
        ["ari/0.fit", "ari/1.fit", *BO_FILES], BOTH, BOTH,
    ),
    "a setting of the analysis": (setting("warm_up_m = 2000\n"), NOBODY, BOTH, BOTH),
    "a setting of the summaries": (setting("smallest_change_pct = {cadence_spm = 9}\n"), *NOTHING),
    "how many states are kept": (setting("keep_generations = 2\n"), *NOTHING),
}  # fmt: skip


@pytest.mark.parametrize("what", CHANGES)
def test_a_change_makes_what_rests_on_it_redone_and_no_more(club: Nights, what: str):
    change, *expected = CHANGES[what]
    change(club)
    done = club.taken_in_hand()
    assert [done.read, done.responded, done.analysed] == expected


#: A change of files and one of settings. What the others leave is compared in depth.
COMPARED = ("a file with other content", "a setting of the analysis")


@pytest.mark.parametrize(
    "what", [what if what in COMPARED else pytest.param(what, marks=pytest.mark.depth) for what in CHANGES]
)
def test_after_a_change_the_state_is_as_if_done_anew_and_the_next_refresh_finds_nothing_new(
    club_with_pages: Nights, monkeypatch: pytest.MonkeyPatch, what: str
):
    club = club_with_pages
    if what not in COMPARED:  # database and exports are made of a state's tables every time, and nothing else
        monkeypatch.setattr(BuildContext, "outputs", [])
    CHANGES[what][0](club)
    club.refresh()
    club.assert_as_if_done_anew()
    assert club.refresh().read == []
    assert len(generations(club.store)) == 2


def test_other_code_redoes_everything_even_if_it_makes_other_columns(club: Nights, monkeypatch: pytest.MonkeyPatch):
    for name in ("known/runs", "tables/athlete_drift/athlete_drift"):  # as if of older code
        older = published(club.store) / f"{name}.parquet"
        rows = pl.read_parquet(older)
        rows.rename({rows.columns[-1]: "a column of old"}).write_parquet(older)
    noted_anew(published(club.store))
    monkeypatch.setattr("pipeline.store.known.code_digest", lambda: "other code")
    done = club.refresh()
    assert done.read == ["ari/0.fit", "ari/1.fit", *BO_FILES]
    assert done.athletes == (BOTH, BOTH, BOTH)
    club.assert_as_if_done_anew()
    assert club.refresh().read == []


def test_athletes_rest_on_what_the_club_responds_like(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.stages.responses.FEWEST_ATHLETES", 2)
    nights = Nights(tmp_path, outputs=False)
    nights.put("settings.toml", NO_PAGES)
    for place, name in enumerate(("ari", "bo")):
        for number in range(3):
            nights.put(f"{name}/{number}.fit", drifting_run(number, seed=10 * place + number))
    nights.refresh()
    assert not club_responses(read_table(nights.store, "responses")).is_empty()
    for number in range(3):
        nights.put(f"cy/{number}.fit", fit_run(f"2026-05-0{number + 1}T09:00:00", km=6, speed_m_s=2 + number / 2))
    (nights.inbox / "bo" / "2.fit").unlink()
    done = nights.refresh()
    assert done.read == ["cy/0.fit", "cy/1.fit", "cy/2.fit"]
    assert (done.responded, done.analysed) == (["bo", "cy"], ["ari", "bo", "cy"])
    nights.assert_as_if_done_anew()


def test_only_metrics_in_which_the_club_responds_otherwise_are_estimated_anew_for_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("pipeline.stages.responses.FEWEST_ATHLETES", 2)
    nights = Nights(tmp_path, outputs=False)
    nights.put("settings.toml", NO_PAGES)
    for place, name in enumerate(("ari", "bo", "cy")):
        for number in range(3):
            nights.put(f"{name}/{number}.fit", drifting_run(number, seed=10 * place + number))
    nights.refresh()
    for number in range(3):
        nights.put(f"di/{number}.fit", drifting_run(number, seed=number, contact_time_ms=np.nan))
    done = nights.refresh()
    assert done.responded == ["di"]
    assert [done.metrics[name] for name in ("ari", "bo", "cy")] == [("cadence_spm", "step_length_m")] * 3
    assert len(done.metrics["di"]) == len(METRICS)
    nights.assert_as_if_done_anew()


@pytest.fixture
def large_club(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Nights:
    """Twelve runs, which here are many: eleven count for the responses, the last of them on the fourth day."""
    monkeypatch.setattr("pipeline.stages.responses.FEWEST_ATHLETES", 2)
    monkeypatch.setattr("pipeline.refresh.settled.FEWEST_RUNS", 2)
    nights = Nights(tmp_path, outputs=False)
    nights.put("settings.toml", NO_PAGES)
    for place, name in enumerate(("ari", "bo", "cy")):
        for number in range(4):
            nights.put(f"{name}/{number}.fit", drifting_run(1 + number, seed=10 * place + number))
    nights.refresh()
    return nights


@pytest.mark.parametrize(
    ("day", "moved"),
    [
        pytest.param(9, False, id="after the day up to which the club's responses are drawn"),
        pytest.param(0, True, id="before it"),
    ],
)
def test_in_a_large_club_a_new_run_leaves_the_others_alone_until_it_counts_for_the_responses(
    large_club: Nights, day: int, moved: bool
):
    nights, drawn = large_club, list[KeptRows]()

    def drawn_again(context: BuildContext, rows: KeptRows) -> pl.DataFrame:
        drawn.append(rows)
        return responses_over(here, context, rows)

    nights.put("cy/new.fit", drifting_run(day, seed=99))
    done = nights.refresh(changed={"club_responses": drawn_again})
    assert (done.responded, done.analysed) == (["cy"], ["ari", "bo", "cy"] if moved else ["cy"])
    assert bool(drawn) == moved, "what the club's responses have in common is drawn again only from other rows"
    nights.assert_as_if_done_anew()


def test_when_a_large_club_has_a_fifth_more_runs_everyone_is_responded_for_and_analysed_anew(
    large_club: Nights,
):
    nights = large_club
    for number in range(4):
        nights.put(f"cy/{number + 4}.fit", drifting_run(5 + number, seed=90 + number))
    done = nights.refresh()  # 16 of 16
    assert done.responded == done.analysed == ["ari", "bo", "cy"]
    nights.assert_as_if_done_anew()


# --- Duplicates ------------------------------------------------------------------------------------------------------


def statuses(done: Done) -> dict[str, str]:
    return dict(done.ledger.filter(pl.col("path").str.starts_with("ari/")).select("path", "status").iter_rows())


def test_a_duplicate_whose_original_goes_becomes_a_run(club: Nights):
    club.put("ari/copy.fit", (club.inbox / "ari" / "0.fit").read_bytes())
    assert statuses(club.refresh()) == {"ari/0.fit": "accepted", "ari/1.fit": "accepted", "ari/copy.fit": "duplicate"}
    (club.inbox / "ari" / "0.fit").unlink()
    done = club.refresh()
    assert done.read == ["ari/copy.fit"]
    assert statuses(done) == {"ari/1.fit": "accepted", "ari/copy.fit": "accepted"}
    club.assert_as_if_done_anew()


def test_a_run_known_already_gives_way_to_a_fuller_recording_of_it(club: Nights):
    club.put("ari/fuller.fit", drifting_run(0, seed=0, heart_rate_bpm=150.0, **FEW))
    done = club.refresh()
    assert done.read == ["ari/fuller.fit"]
    assert statuses(done)["ari/0.fit"] == "duplicate"
    club.assert_as_if_done_anew()
    (club.inbox / "ari" / "fuller.fit").unlink()
    assert statuses(club.refresh())["ari/0.fit"] == "accepted"
    club.assert_as_if_done_anew()


def test_the_start_of_a_file_with_an_exclamation_mark_in_its_name_is_looked_up_again(club: Nights):
    club.put("bo/go!.csv", CLOCKLESS)
    for day in (25, 26):
        club.put("sessions.csv", f"file,started_at_utc\nbo/go!.csv,2026-03-{day}T09:00:00Z\n")
        club.refresh()
        assert f"bo-202603{day}T090000Z" in read_table(club.store, "runs")["run_id"].to_list()
    club.assert_as_if_done_anew()


# --- Files that cannot be read just now ------------------------------------------------------------------------------


def test_a_file_that_nobody_may_read_is_no_change_every_night_and_is_read_once_it_may_be(club: Nights):
    club.put("ari/2.fit", drifting_run(2))
    (club.inbox / "ari" / "2.fit").chmod(0)
    with no_privilege():
        assert statuses(club.refresh())["ari/2.fit"] == "rejected"
        club.assert_as_if_done_anew()
        assert club.refresh().read == []
    assert len(generations(club.store)) == 2
    (club.inbox / "ari" / "2.fit").chmod(0o600)
    done = club.refresh()
    assert (done.read, statuses(done)["ari/2.fit"]) == (["ari/2.fit"], "accepted")
    club.assert_as_if_done_anew()


def test_files_in_a_folder_that_nobody_may_look_into_are_not_taken_for_gone(club: Nights):
    (club.inbox / "lost+found").mkdir()
    before = generations(club.store)
    for folder in (club.inbox / "bo", club.inbox / "lost+found"):
        folder.chmod(0)
    with no_privilege():
        known = f"the store knows {len(BO_FILES)} files"
        with pytest.raises(NothingDone, match=f"'bo' of the inbox cannot be read, and {known}"):
            club.refresh()
        (club.inbox / "bo").chmod(0o700)
        assert club.refresh().read == []
        (notice,) = read_inbox(club.inbox).notices
    assert notice.startswith("The folder 'lost+found' cannot be read")
    assert generations(club.store) == before


@pytest.mark.parametrize("then", [b"half", None], ids=["another content", "gone"])
def test_a_file_that_changes_between_its_digest_and_its_reading_is_read_again(
    club: Nights, monkeypatch: pytest.MonkeyPatch, then: bytes | None
):
    whole, path = drifting_run(2), club.inbox / "ari" / "2.fit"
    club.put("ari/2.fit", whole)

    def digests_then_a_change(*arguments: Any) -> Any:
        digests = with_digests(*arguments)
        path.unlink()
        if then is not None:
            path.write_bytes(then)
        return digests

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.store.known.with_digests", digests_then_a_change)
        assert statuses(club.refresh())["ari/2.fit"] == "rejected"
    path.write_bytes(whole)
    done = club.refresh()
    assert (done.read, statuses(done)["ari/2.fit"]) == (["ari/2.fit"], "accepted")
    club.assert_as_if_done_anew()


def test_an_inbox_without_a_run_left_is_refused_and_the_state_stays(club: Nights):
    before = everything(club.store)
    for file in [*club.inbox.rglob("*.fit"), *club.inbox.rglob("*.csv")]:
        if file.parent != club.inbox:
            file.write_bytes(b"broken")
    with pytest.raises(NothingDone, match="None of the 5 files"):
        club.refresh()
    assert everything(club.store) == before


# --- What settings have a say in -------------------------------------------------------------------------------------


class Overheard:
    """Settings that note which of their fields are asked for."""

    def __init__(self, heard: set[str]) -> None:
        self._heard = heard

    def __getattr__(self, name: str) -> Any:
        if isinstance(derived := vars(Settings).get(name), property):
            return derived.fget(self)  # type: ignore[misc] # notes the fields that it is derived from
        if name in {field.name for field in fields(Settings)}:
            self._heard.add(name)
        return getattr(Settings(), name)


#: Settings of reading that hold its worker in check, not what it computes.
LIMITS = {"max_file_s", "max_file_mb"}


def test_settings_are_marked_with_the_step_that_reads_them(club: Nights, tmp_path: Path):
    inbox, built = read_inbox(club.inbox), tmp_path / "built"
    heard: dict[str, set[str]] = {READING: set(), ANALYSIS: set()}
    reading, analysis = (BuildContext(replace(inbox, settings=Overheard(heard[step])), built) for step in heard)  # type: ignore[arg-type]
    measured = [measure(reading, shard) for shard in plan(inbox.files)]
    analysed = [analyse(analysis, Athlete(bundle.athlete_id, (bundle.name,))) for bundle in measured]
    write_part(built, "runs", Section(), pl.concat(read_bundle(built, bundle.name)["runs"] for bundle in analysed))
    responded = [respond(analysis, AthleteTask(bundle.athlete_id or ""), None) for bundle in analysed]
    club = club_responses(pl.concat(read_bundle(built, bundle.name)["responses"] for bundle in responded))
    analyse_after_club(analysis, AthleteTask("ari", ("cadence_spm",)), club)
    marked = {of: {field.name for field in fields(Settings) if field.metadata["of"] == of} for of in heard}
    assert marked[READING] == heard[READING] | LIMITS
    assert marked[ANALYSIS] == heard[ANALYSIS] - heard[READING]
    assert settings_text(Settings()).count("\n\n") >= len(marked[READING] | marked[ANALYSIS])


def test_two_lines_for_one_file_count_in_their_order(tmp_path: Path):
    club = Nights(tmp_path, outputs=False)
    club.put("settings.toml", NO_PAGES)
    club.put("ari/0.fit", drifting_run(0))
    club.put("ari/1.csv", CLOCKLESS)
    first, second = "ari/1.csv,2026-03-01T08:00:00Z\n", "ari/1.csv,2026-03-11T08:00:00Z\n"
    club.put("sessions.csv", "file,started_at_utc\n" + first + second)
    club.refresh()
    club.put("sessions.csv", "file,started_at_utc\n" + second + first)
    assert club.refresh().read == ["ari/1.csv"]
    club.assert_as_if_done_anew()


def test_a_file_that_sessions_csv_gives_to_another_athlete_counts_for_that_one(tmp_path: Path):
    club = Nights(tmp_path, outputs=False)
    club.put("settings.toml", NO_PAGES)
    club.put("x.fit", drifting_run(0))
    club.put("ari/a.fit", drifting_run(1, seed=2))
    for athlete_id in ("ari", "bel", "cai"):
        club.put("sessions.csv", f"file,athlete_id\nx.fit,{athlete_id}\n")
        ledger = club.refresh().ledger
        assert dict(ledger.select("path", "athlete_id").iter_rows()) == {"ari/a.fit": "ari", "x.fit": athlete_id}
        club.assert_as_if_done_anew()

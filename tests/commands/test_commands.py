"""The commands: exit codes by real cases, help that teaches, and nothing heavy before it is needed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.commands.refresh import _looks_new
from pipeline.core.settings import Settings
from pipeline.tables import TABLES
from pipeline.tables.dictionary import dictionary
from tests.support.fit_runs import fit_run

Make = Callable[[Mapping[str, bytes | str]], Path]
pytestmark = pytest.mark.usefixtures("no_workers")

ROOT = Path(__file__).parents[2]
HEAVY = ("polars", "duckdb", "prefect", "scipy", "numpy", "pyarrow", "dataframely")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def commands() -> list[str]:
    return sorted(main.list_commands(click.Context(main)))


# --- Help ------------------------------------------------------------------------------------------------------------


def test_help_teaches_the_first_steps_and_the_layout_of_the_inbox():
    text = run("--help").output
    for line in (
        "A first look:      splitdrift demo",
        "splitdrift refresh --inbox inbox --store store",
        "inbox/ari/2026-03-14.fit",
        "inbox/sessions.csv",
    ):
        assert line in text


@pytest.mark.parametrize("command", commands())
def test_every_command_says_what_it_does_in_a_sentence(command: str):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert result.output.startswith(f"Usage: main {command}")
    about = result.output.split("\n\n")[1]
    assert about.strip().endswith((".", "?"))
    assert "\\b" not in result.output, "click takes the sign \\b, not the two letters"
    assert len(about.split()) > 4


def test_every_option_is_explained():
    for name, command in main.commands.items():
        for parameter in command.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                assert parameter.help, f"{name} {parameter.opts[0]}"


def test_no_summary_of_a_command_is_cut_in_a_window_of_80_columns():
    listed = CliRunner().invoke(main, ["--help"], terminal_width=80).output.partition("Commands:\n")[2].splitlines()
    assert [line.split()[0] for line in listed] == commands()
    assert all(line.endswith((".", "?")) and not line.endswith("...") for line in listed)


def test_refresh_explains_its_exit_codes():
    text = " ".join(run("refresh", "--help").output.split())
    assert "0 done (rejected files are listed), 1 nothing could be done, 2 wrong use, 3 done, but --strict" in text


@pytest.mark.parametrize("words", [["--help"], ["refresh", "--help"], ["calibrate", "--help"], ["--version"]])
def test_help_does_not_wait_for_heavy_modules(words: list[str]):
    code = (
        "import sys\nfrom pipeline.__main__ import main\n"
        f"main({words!r}, standalone_mode=False)\n"
        "print('loaded:', *sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    output = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout  # fmt: skip
    loaded = output.partition("loaded:")[2].split()
    assert "click" in loaded
    assert not set(HEAVY) & set(loaded)
    assert words == ["--version"] or "email" not in loaded, "which the search for installed packages loads"


def test_a_refresh_needs_no_library_that_takes_longer_to_load_than_to_use():
    code = (
        "import importlib, sys\nfrom pipeline.refresh import REFRESH_LOADS\n"
        "for name in REFRESH_LOADS.split():\n    importlib.import_module(name)\n"
        "print(*sys.modules)"
    )
    loaded = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert "pipeline.stages.season_slope" in loaded.split()
    unused = {"scipy.optimize", "scipy.stats", "prefect", "altair", "openpyxl", "sqlalchemy", "pydantic", "numpy.f2py"}
    assert not unused & set(loaded.split())


@pytest.mark.parametrize("path", ["ari/new.fit", "roster.csv"])
def test_a_change_in_the_inbox_is_seen_before_anything_is_loaded(path: str, tmp_path: Path):
    inbox, store = tmp_path / "inbox", tmp_path / "store"
    (inbox / "ari").mkdir(parents=True)
    (inbox / "ari" / "old.fit").touch()
    assert _looks_new(inbox, store), "there is no state yet"
    store.mkdir()
    time.sleep(0.02)
    (store / "current").symlink_to("generations/000001")
    assert not _looks_new(inbox, store)
    time.sleep(0.02)
    (inbox / path).touch()
    os.utime(inbox / path, (0, 0))  # as a copy that keeps times leaves it
    assert _looks_new(inbox, store)


def test_a_command_is_told_how_its_workers_end_also_if_whoever_started_it_ignores_ends():
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    try:
        run("dictionary")
        assert signal.getsignal(signal.SIGCHLD) is signal.SIG_DFL
    finally:
        signal.signal(signal.SIGCHLD, before)


def test_an_unknown_command_or_option_is_wrong_use():
    assert run("refrsh").exit_code == 2
    assert run("refresh", "--inbox", "x", "--store", "y", "--fast").exit_code == 2
    assert run("refresh").exit_code == 2


# --- Exit codes ------------------------------------------------------------------------------------------------------


def test_0_when_done_and_everything_is_told(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1)})
    result = run("refresh", "--inbox", inbox, "--store", tmp_path / "store", "--strict")
    assert (result.exit_code, result.stderr) == (0, "")
    assert "1 file: 1 accepted." in result.output
    assert f"Everything is in {tmp_path / 'store'}" in result.output
    for name in ("splitdrift.duckdb", "tables", "exports/splitdrift.xlsx", "rejected/rejected.csv"):
        assert (tmp_path / "store" / name).exists()


@pytest.mark.usefixtures("no_outputs")
def test_0_also_when_some_files_were_refused_which_are_listed(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})
    result = run("refresh", "--inbox", inbox, "--store", tmp_path / "store")
    assert result.exit_code == 0
    assert "2 files: 1 accepted, 1 rejected." in result.output
    assert "ari/b.fit" in result.output


def test_3_when_files_were_refused_and_strict_was_given_but_the_store_is_there(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})
    result = run("refresh", "--inbox", inbox, "--store", tmp_path / "store", "--strict")
    assert result.exit_code == 3
    assert (tmp_path / "store" / "splitdrift.duckdb").is_file()


@pytest.mark.parametrize(
    "files", [{"ari/a.fit": b"broken"}, {"roster.csv": "athlete_id\nari\n"}], ids=["no run", "no file"]
)
def test_1_when_nothing_could_be_done(tiny_inbox: Make, tmp_path: Path, files: dict[str, bytes | str]):
    inbox = tiny_inbox(files)
    result = run("refresh", "--inbox", inbox, "--store", tmp_path / "store")
    assert result.exit_code == 1
    assert result.stderr.startswith(("splitdrift: The only file in ", "splitdrift: The inbox "))
    assert "Traceback" not in result.output
    assert run("check", "--inbox", inbox).exit_code == 1
    assert not (tmp_path / "store" / "splitdrift.duckdb").exists()


@pytest.mark.usefixtures("no_outputs")
def test_1_when_the_disk_says_no_with_its_own_words(tiny_inbox: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device", "splitdrift.duckdb")

    monkeypatch.setattr("pipeline.store.generations.point_to", full_disk)
    result = run("refresh", "--inbox", tiny_inbox({"ari/a.fit": fit_run(km=1)}), "--store", tmp_path / "store")
    told = "splitdrift: No space left on device: splitdrift.duckdb. Make room on that disk; nothing is lost.\n"
    assert (result.exit_code, result.stderr) == (1, told)


@pytest.mark.usefixtures("no_outputs")
@pytest.mark.parametrize("command", ["refresh", "check"])
def test_a_recording_that_lies_with_two_athletes_is_pointed_out(command: str, tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "bo/a.fit": fit_run(km=1)})
    store = ["--store", tmp_path / "store"] if command == "refresh" else []
    result = run(command, "--inbox", inbox, *store)
    assert "1 recording of ari and bo is the same to the byte and counts for each of them" in result.stdout


def test_1_when_there_is_no_store_to_show(tmp_path: Path):
    result = run("show", "runs", "--store", tmp_path / "store")
    assert result.exit_code == 1
    assert "is not a store yet" in result.stderr


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"roster.csv": 'athlete_id\n"ari\n'}, "roster.csv, line 2: not comma-separated values"),
        ({"settings.toml": "gap = 5\n"}, "settings.toml: there is no setting 'gap'. Did you mean gap_s?"),
    ],
)
def test_2_when_a_list_or_the_settings_cannot_be_read(
    tiny_inbox: Make, files: dict[str, str], message: str, tmp_path: Path
):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), **files})
    for words in (("refresh", "--store", tmp_path / "store"), ("check",), ("settings",)):
        result = run(*words, "--inbox", inbox)
        assert result.exit_code == 2
        assert result.stderr.startswith(f"splitdrift: {message}")
    assert not (tmp_path / "store").exists()


def test_2_when_there_is_no_inbox(tmp_path: Path):
    result = run("check", "--inbox", tmp_path / "absent")
    assert result.exit_code == 2
    assert "There is no folder" in result.stderr


def test_2_when_there_is_no_table_of_that_name(demo_store: Path):
    result = run("show", "xyzzy", "--store", demo_store)
    assert result.exit_code == 2
    assert result.stderr.startswith("splitdrift: There is no table 'xyzzy'. Tables: recordings, ")


# --- What they do ----------------------------------------------------------------------------------------------------


def test_a_misspelt_table_is_offered_the_nearest(demo_store: Path):
    result = run("show", "runz", "--store", demo_store)
    assert (result.exit_code, result.stderr) == (2, "splitdrift: There is no table 'runz'. Did you mean runs?\n")


@pytest.mark.parametrize(
    ("table", "condition", "hint"),
    [
        (
            "runs",
            "distnce_km > 5",
            "Did you mean distance_km? An example: --where \"athlete_id = 'ari' AND distance_km > 10\".",
        ),
        ("splits", "distnce > 5", "An example: --where \"athlete_id = 'ari' AND km > 10\"."),
        ("usual", "km >", "An example: --where \"athlete_id = 'ari'\"."),
        ("shoes", "nam = 'x'", 'Did you mean name? An example: --where "shoe_id IS NOT NULL".'),
    ],
)
def test_a_condition_with_a_fault_is_offered_the_nearest_column_and_an_example_of_its_table(
    demo_store: Path, table: str, condition: str, hint: str
):
    result = run("show", table, "--store", demo_store, "--where", condition)
    assert result.exit_code == 2
    assert f" {hint} `splitdrift dictionary`" in result.stderr
    example = hint.partition('"')[2].rpartition('"')[0]
    assert run("show", table, "--store", demo_store, "--where", example).exit_code == 0


def test_check_lists_everything_and_writes_nothing(tiny_inbox: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    result = run("check", "--inbox", inbox)
    assert result.exit_code == 0
    assert "2 files: 1 accepted, 1 rejected." in result.output
    assert "ari/a.fit" in result.output
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("table", TABLES)
def test_show_shows_every_table(demo_store: Path, table: str):
    result = run("show", table, "--store", demo_store)
    assert result.exit_code == 0
    assert "rows" in result.output.splitlines()[-1]


def test_show_without_a_table_shows_the_club(demo_store: Path):
    result = run("show", "--store", demo_store)
    assert result.exit_code == 0
    for athlete in ("tallow", "brine", "moss"):
        assert athlete in result.output


def test_dictionary_prints_the_dictionary():
    assert run("dictionary").output == dictionary()


def test_settings_prints_every_setting_with_value_and_reason():
    text = run("settings").output
    for name, value, _, reason in Settings().describe():
        assert f"{name} = {value}" in text
        assert " ".join(reason.split()[:5]) in text


def test_settings_of_an_inbox_are_those_in_force(tiny_inbox: Make):
    inbox = tiny_inbox({"ari/a.fit": b"", "settings.toml": "gap_s = 12\n"})
    assert "gap_s = 12.0" in run("settings", "--inbox", inbox).output


def test_the_installed_command_is_this_one():
    # As the shell starts it: a module of the package, from any folder.
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    result = subprocess.run(
        [sys.executable, "-m", "pipeline", "--version"], env=environment, capture_output=True, text=True, check=True
    )
    assert result.stdout.startswith("splitdrift, version ") or "version" in result.stdout


def test_nothing_in_a_store_can_be_read_by_others(tiny_inbox: Make, tmp_path: Path):
    before = os.umask(0o022)
    try:
        run("refresh", "--inbox", tiny_inbox({"ari/a.fit": fit_run(km=1)}), "--store", tmp_path / "store")
    finally:
        os.umask(before)
    assert (tmp_path / "store" / "splitdrift.duckdb").exists()
    open_to_others = [
        path for path in (tmp_path / "store").rglob("*") if path.lstat().st_mode & 0o077 and not path.is_symlink()
    ]
    assert open_to_others == []


def test_an_object_store_that_cannot_be_reached_is_told_with_its_address_and_without_a_traceback():
    somewhere = {"AWS_ENDPOINT_URL": "http://127.0.0.1:9", "AWS_MAX_ATTEMPTS": "1", "AWS_EC2_METADATA_DISABLED": "true"}
    keys = {"AWS_ACCESS_KEY_ID": "nobody", "AWS_SECRET_ACCESS_KEY": "nothing"}
    ended = subprocess.run(
        [sys.executable, "-m", "pipeline", "show", "--store", "s3://club/store"],
        capture_output=True, text=True, check=False, env=os.environ | somewhere | keys,
    )  # fmt: skip
    assert ended.returncode == 1
    assert "Traceback" not in ended.stderr
    assert ended.stderr.startswith("splitdrift: The object store cannot be used (EndpointConnectionError)")
    assert "http://127.0.0.1:9" in ended.stderr


# --- How much they say -----------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("no_outputs")
def test_a_refresh_says_what_is_new_and_not_the_history(tiny_inbox: Make, tmp_path: Path):
    cycling = {f"ari/ride{n}.fit": fit_run(f"2026-03-{n:02}T09:00:00", km=1, sport="cycling") for n in range(1, 9)}
    inbox = tiny_inbox({"ari/a.fit": fit_run("2026-03-14T09:00:00", km=1), "ari/b.fit": b"broken", **cycling})
    words = ("refresh", "--inbox", inbox, "--store", tmp_path / "store")
    first = run(*words)
    assert "ari/ride1.fit and 7 more" in first.output
    assert "ari/b.fit" in first.output
    (inbox / "bel").mkdir()
    (inbox / "bel" / "c.fit").write_bytes(fit_run("2026-03-20T09:00:00", km=1))
    second = run(*words)
    assert "11 files: 8 not running, 2 accepted, 1 rejected." in second.output
    assert "1 new" in second.output
    for old in ("ride", "ari/b.fit", "ari "):
        assert old not in second.output
    third = run(*words)
    assert "Nothing is new" in third.output
    assert "bel" not in third.output
    assert "ari/ride8.fit" in run(*words, "-v").output


@pytest.mark.usefixtures("no_outputs")
def test_a_refresh_says_which_rejected_files_are_runs_now(tiny_inbox: Make, tmp_path: Path):
    names = [f"ari/{name}.fit" for name in "abc"]
    inbox = tiny_inbox({"ari/d.fit": fit_run(km=1), **dict.fromkeys(names, b"broken")})
    words = ("refresh", "--inbox", inbox, "--store", tmp_path / "store")
    assert "rejected are" not in run(*words).output
    for day, name in enumerate(names[:2], start=1):
        (inbox / name).write_bytes(fit_run(f"2026-03-0{day}T09:00:00", km=1))
    assert "2 files that were rejected are runs now.\n" in run(*words).output
    (inbox / names[2]).write_bytes(fit_run("2026-03-03T09:00:00", km=1))
    assert "1 file that was rejected is a run now.\n" in run(*words).output


@pytest.mark.usefixtures("no_outputs")
def test_a_refresh_says_which_findings_changed_and_leaves_out_numbers_where_there_are_none(
    tiny_inbox: Make, tmp_path: Path
):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "bo/a.fit": fit_run(km=1)})
    words = ("refresh", "--inbox", inbox, "--store", tmp_path / "store")
    first = run(*words).output
    assert "Findings that changed" not in first
    for left_out in ("The numbers", "Change per 10 km", "beyond km 9.5"):
        assert left_out not in first
    assert "too few runs" in first
    (inbox / "bo" / "a.fit").unlink()
    metrics = "cadence, contact time, duty factor, flight time, step length"
    assert f"Findings that changed:\n  bo: {metrics} too few runs → none\n" in run(*words).output


@pytest.mark.usefixtures("no_outputs")
def test_another_inbox_of_which_nothing_was_known_is_said_with_the_way_back(tiny_inbox: Make, tmp_path: Path):
    inbox, store = tiny_inbox({"ari/a.fit": fit_run(km=1)}), tmp_path / "st 1"
    run("refresh", "--inbox", inbox, "--store", store)
    moved, other = tmp_path / "moved", tmp_path / "other"
    shutil.copytree(inbox, moved)
    (moved / "ari" / "b.fit").write_bytes(fit_run("2026-03-20T09:00:00", km=1))
    assert "another inbox" not in run("refresh", "--inbox", moved, "--store", store).output  # a file of it is left
    (other / "bo").mkdir(parents=True)
    (other / "bo" / "c.fit").write_bytes(fit_run("2026-03-21T09:00:00", km=1))
    result = run("refresh", "--inbox", other, "--store", store, "--quiet")
    assert result.exit_code == 0
    assert result.output == (
        f"The store held another inbox, {moved}: none of its 2 files is left, and its athletes are replaced. If that "
        f"was not meant, `splitdrift history --store '{store}' --return-to 000002` returns to the state before.\n"
    )
    assert run("refresh", "--inbox", other, "--store", store, "--quiet").output == ""
    assert run("history", "--store", store, "--return-to", "000002").exit_code == 0
    assert "ari" in run("show", "--store", store).output


@pytest.mark.usefixtures("no_outputs")
def test_files_that_all_left_the_same_inbox_are_no_other_one(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1)})
    words = ("refresh", "--inbox", inbox, "--store", tmp_path / "store")
    run(*words)
    (inbox / "ari" / "a.fit").rename(inbox / "ari" / "b.fit")
    assert "another inbox" not in run(*words).output


@pytest.mark.usefixtures("no_outputs")
def test_a_guard_that_holds_a_correction_back_is_said_when_it_is_new(tiny_inbox: Make, tmp_path: Path):
    guarded = "[[correction]]\ncadence_factor = 2\nonly_if_cadence_below = 100\n"
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1)})
    words = ("refresh", "--inbox", inbox, "--store", tmp_path / "store", "--quiet")
    assert run(*words).output == ""
    (inbox / "corrections.toml").write_text(guarded)
    assert "was held back from all" in run(*words).output
    assert run(*words).output == ""
    (inbox / "ari" / "b.fit").write_bytes(fit_run("2026-03-20T09:00:00", km=1))
    assert run(*words).output == ""
    assert "was held back from all" in run("check", "--inbox", inbox, "--quiet").output


@pytest.mark.usefixtures("no_outputs")
def test_quiet_leaves_what_needs_attention(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1)})
    for words in (("check",), ("refresh", "--store", tmp_path / "store")):
        assert run(*words, "--inbox", inbox, "--quiet").output == ""
    (inbox / "ari" / "b.fit").write_bytes(b"broken")
    for words in (("check",), ("refresh", "--store", tmp_path / "store")):
        output = run(*words, "--inbox", inbox, "-q").output
        assert "ari/b.fit" in output
        assert "ari/a.fit" not in output


def test_check_is_strict_when_asked_to_be(tiny_inbox: Make):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "ari/b.fit": b"broken"})
    assert run("check", "--inbox", inbox).exit_code == 0
    assert run("check", "--inbox", inbox, "--strict").exit_code == 3


def test_an_interrupt_of_any_command_exits_with_130_and_without_a_traceback(
    demo_store: Path, monkeypatch: pytest.MonkeyPatch
):
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.store.layout.read_rows", interrupted)
    result = run("show", "runs", "--store", demo_store)
    assert (result.exit_code, result.stderr) == (130, "\nsplitdrift: Interrupted.\n")


@pytest.mark.usefixtures("no_outputs")
def test_0_also_when_a_line_of_a_list_has_a_fault_which_is_named(tiny_inbox: Make, tmp_path: Path):
    inbox = tiny_inbox({"ari/a.fit": fit_run(km=1), "sessions.csv": "file,kind\nari/a.fit,jog\n"})
    for words in (("refresh", "--store", tmp_path / "store"), ("check",)):
        result = run(*words, "--inbox", inbox)
        assert result.exit_code == 0
        assert "sessions.csv, line 2: kind is 'jog'; expected race or training or test. The line" in result.output

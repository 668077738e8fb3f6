"""The history in the terminal, and returning to an older state."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

from pipeline.__main__ import main
from pipeline.commands.show_history import MOST_FINDINGS, history_table
from pipeline.core.errors import Held, UsageError
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh.refresh import refresh
from pipeline.store.generations import building, generations, link_tree, published
from pipeline.store.history import history_of_states, read_history, return_to
from pipeline.store.layout import read_table
from pipeline.store.lock import locked
from tests.support.fit_runs import fit_run


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three states: a run, a second one, a third one with a broken file; and then nothing new, twice."""
    folder = tmp_path_factory.mktemp("made")
    ari, store = folder / "inbox" / "ari", folder / "store"
    ari.mkdir(parents=True)
    for day, broken in ((1, False), (2, False), (3, True)):
        (ari / f"{day}.fit").write_bytes(fit_run(f"2026-03-0{day}T09:00:00", km=1))
        if broken:
            (ari / "x.fit").write_bytes(b"broken")
        refresh(read_inbox(folder / "inbox"), store, jobs=1)
    for _ in range(2):
        refresh(read_inbox(folder / "inbox"), store, jobs=1)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    """A copy of that."""
    shutil.copytree(made, tmp_path, symlinks=True, dirs_exist_ok=True)
    return tmp_path / "store"


def printed(records: list[dict[str, Any]], width: int = 80) -> list[str]:
    console = Console(width=width, color_system=None)
    with console.capture() as caught:
        console.print(history_table(records))
    lines = caught.get().splitlines()
    assert max(len(line) for line in lines) <= width
    return [" ".join(line.replace("│", " ").split()) for line in lines]


def record(**differing: Any) -> dict[str, Any]:
    counts = {"n_new": 1, "n_changed": 0, "n_gone": 0, "n_refused": 0, "findings": []}
    about = {"generation": "000001", "began_at_utc": "2026-11-26T02:00:00+00:00", "seconds": 4.2}
    return {**about, **counts, "is_valid": False, "is_kept": False, **differing}


# --- The list --------------------------------------------------------------------------------------------------------


def test_each_refresh_is_a_row_with_when_how_long_and_what_came_in():
    lines = printed([record(n_new=12, n_changed=1, n_gone=2, n_refused=3, is_valid=True)])
    assert "000001 2026-11-26 02:00 12 new" in lines
    assert "valid now took 4.2 s 1 read again" in lines
    assert "2 gone" in lines
    assert "3 rejected" in lines


def test_a_changed_finding_is_shown_before_and_after_in_words():
    findings = [
        {"athlete_id": "ember", "metric": "contact_time_ms", "before": "holds", "after": "rises"},
        {"athlete_id": "ember", "metric": "cadence_spm", "before": None, "after": "unclear"},
        {"athlete_id": "pip", "metric": "cadence_spm", "before": None, "after": "holds"},
        {"athlete_id": "wick", "metric": "cadence_spm", "before": None, "after": "holds"},
    ]
    text = "\n".join(printed([record(findings=findings)], width=120))
    assert "ember: contact time steady → rises" in text
    assert "ember: cadence none → cannot tell yet" in text
    assert "first findings of pip, wick" in text


def test_many_changed_findings_are_cut_short():
    findings = [
        {"athlete_id": f"a{n}", "metric": "cadence_spm", "before": "holds", "after": "rises"}
        for n in range(MOST_FINDINGS + 5)
    ]
    assert any(line.endswith("and 5 more") for line in printed([record(findings=findings)]))


def test_refreshes_with_nothing_new_share_a_row():
    idle = {"generation": "000001", "seconds": 0.1, "nothing_new": True, "is_valid": True, "is_kept": True}
    nights = [idle | {"began_at_utc": f"2026-11-2{day}T02:00:00+00:00"} for day in range(4)]
    lines = printed([record(), *nights], width=100)
    assert "2026-11-20 02:00 nothing new, 4 times" in lines
    assert "to 2026-11-23 02:00" in lines


def test_markup_in_ids_is_shown_as_text():
    findings = [{"athlete_id": "[red]x[/red]", "metric": "cadence_spm", "before": "holds", "after": "rises"}]
    assert "[red]x[/red]: cadence steady → rises" in "\n".join(printed([record(findings=findings)], width=120))


def test_the_command_lists_a_real_store(store: Path):
    text = " ".join(run("history", "--store", store).output.replace("│", " ").split())
    for words in ("000001", "kept took", "000003", "valid now took", "1 new", "1 rejected", "nothing new, 2 times"):
        assert words in text


def test_as_json_every_record_is_complete_and_says_whether_it_is_valid_and_kept(store: Path):
    records = json.loads(run("history", "--store", store, "--json").output)
    assert [one | {"is_valid": 0, "is_kept": 0} for one in records] == [
        one | {"is_valid": 0, "is_kept": 0} for one in read_history(store)
    ]
    assert [one["is_valid"] for one in records] == [False, False, True, True, True]
    assert all(one["is_kept"] for one in records)


def test_a_state_that_is_no_longer_kept_stays_in_the_list(store: Path):
    with building(store, keep=1) as built:
        link_tree(published(store), built, Path())
    records = history_of_states(store)
    assert [(one["generation"], one["is_kept"]) for one in records if "n_new" in one] == [
        ("000001", False), ("000002", False), ("000003", False),
    ]  # fmt: skip


def test_the_state_of_a_self_check_is_listed_too(store: Path):
    with building(store, keep=5) as built:
        link_tree(published(store), built, Path())
    records = history_of_states(store)
    assert records[-1] == {"generation": "000004", "is_valid": True, "is_kept": True}
    assert "000004 a self-check" in printed(records)


def test_without_a_store_it_says_how_to_make_one(tmp_path: Path):
    result = run("history", "--store", tmp_path / "store")
    assert result.exit_code == 1
    assert "is not a store yet" in result.stderr


# --- Returning to an older state -------------------------------------------------------------------------------------


def test_an_older_state_becomes_the_valid_one_and_the_newer_ones_are_kept(store: Path):
    result = run("history", "--store", store, "--return-to", "000001")
    assert result.exit_code == 0
    assert result.output.startswith("Generation 000001 is valid now.")
    assert "The next refresh builds on it and brings the store up to date with the inbox again" in result.output
    assert read_table(store, "runs").height == 1
    assert [one.name for one in generations(store)] == ["000001", "000002", "000003"]
    assert [one["is_valid"] for one in history_of_states(store)][:3] == [True, False, False]


def test_the_next_refresh_builds_from_there_and_brings_the_store_up_to_date(store: Path, tmp_path: Path):
    return_to(store, "000002")
    refresh(read_inbox(tmp_path / "inbox"), store, jobs=1)
    newest = read_history(store)[-1]
    assert (newest["generation"], newest["new"]) == ("000004", ["ari/3.fit", "ari/x.fit"])
    assert read_table(store, "runs").height == 3


def test_a_return_is_a_row_of_the_history_where_it_happened(store: Path, tmp_path: Path):
    return_to(store, "000001")
    refresh(read_inbox(tmp_path / "inbox"), store, jobs=1)
    records = history_of_states(store)
    assert [(one["generation"], one.get("returned_from")) for one in records[3:]] == [
        ("000003", None), ("000003", None), ("000001", "000003"), ("000004", None),
    ]  # fmt: skip
    when = {one["generation"]: one["began_at_utc"][:16].replace("T", " ") for one in records[5:]}
    lines = printed(records[5:], 100)
    assert f"{when['000001']} returned to 000001" in lines
    assert lines.index(f"{when['000001']} returned to 000001") < lines.index(f"000004 {when['000004']} 3 new")


def test_returning_to_the_valid_state_changes_nothing(store: Path):
    before = read_history(store)
    assert return_to(store, "000003") is False
    assert run("history", "--store", store, "--return-to", "000003").output == (
        "Generation 000003 is the valid one already.\n"
    )
    assert read_history(store) == before


@pytest.mark.parametrize("name", ["000009", "3", "../generations/000001", ""])
def test_a_state_that_is_not_kept_is_wrong_use_and_the_kept_ones_are_listed(store: Path, name: str):
    with pytest.raises(UsageError, match=r"keeps no generation '.*'\. Kept are 000001, 000002, 000003\."):
        return_to(store, name)
    assert run("history", "--store", store, "--return-to", "000009").exit_code == 2


def test_it_does_not_return_while_another_process_changes_the_store(store: Path):
    with locked(store), pytest.raises(Held):
        return_to(store, "000001")
    assert published(store).name == "000003"

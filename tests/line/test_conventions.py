"""The house rules of DEVELOPERS.md. A rule without a test here is a wish."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import pytest

from pipeline import STAGES
from pipeline.tables import TABLES

ROOT = Path(__file__).parents[2]
MODULES = sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "flows").rglob("*.py")])
NAMES = [path.relative_to(ROOT).as_posix() for path in MODULES]
MOST_LINES_OF_A_FILE, MOST_LINES_OF_A_FUNCTION = 450, 70

Function = ast.FunctionDef | ast.AsyncFunctionDef


def tracked_files() -> list[Path]:
    """What git keeps; where this is no clone, what lies here and is not hidden or made by a tool."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode == 0 and listed.stdout:
        return [ROOT / name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]
    return [
        path
        for path in ROOT.rglob("*")
        if path.is_file() and not any(part.startswith((".", "__")) for part in path.relative_to(ROOT).parts)
    ]


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


# --- One word finds everything ---------------------------------------------------------------------------------------


def test_a_stage_has_a_module_with_its_functions_and_a_file_of_tests_of_its_name():
    for stage in STAGES:
        module = importlib.import_module(f"pipeline.stages.{stage.name}")
        defined = {word for word, thing in vars(module).items() if getattr(thing, "__module__", "") == module.__name__}
        assert {function.name for function in stage.functions} <= defined, stage.name
        assert (ROOT / "tests" / "stages" / f"test_{stage.name}.py").is_file(), stage.name
        assert (module.__doc__ or "").startswith(f"Stage `{stage.name}`: "), stage.name


def test_every_file_of_sql_is_named_for_a_table():
    stems = {path.stem for path in (ROOT / "sql").glob("*.sql")}
    assert stems <= set(TABLES)
    assert stems


def test_sql_is_run_nowhere_but_from_its_files():
    # The database gets tables and comments of names it knows itself; everything that reads rows is a file of sql/.
    for path in MODULES:
        if path.name not in ("database.py", "queries.py"):
            assert not re.search(r"\bSELECT\b[^.]*\bFROM\b", path.read_text(encoding="utf-8")), path.name


def test_no_module_is_a_drawer_for_everything():
    assert [name for name in NAMES if re.search(r"(^|[/_])(utils?|helpers?|common|misc|tools?)([._/]|$)", name)] == []


def decisions_by_wording(source: str) -> list[str]:
    """Where the course of the program depends on the words of a reason or an error."""
    prose = r"(reason|words|fix|message|str\(error\))"
    return re.findall(rf"\b{prose}\.(?:startswith|endswith|partition|split)\(|\bre\.\w+\([^()]*,\s*{prose}\)", source)


@pytest.mark.parametrize("name", NAMES)
def test_no_decision_depends_on_the_wording_of_a_message(name: str):
    # What libraries report has no field for it.
    allowed = dict.fromkeys(
        (
            "pipeline/formats/fit_messages.py", "pipeline/tables/__init__.py", "pipeline/methods/mixed_trend.py",
        ),
        1,
    )  # fmt: skip
    assert len(decisions_by_wording((ROOT / name).read_text(encoding="utf-8"))) <= allowed.get(name, 0)


# --- Size and words --------------------------------------------------------------------------------------------------


def test_the_metrics_of_the_project_alone_are_named_only_where_those_of_the_settings_cannot_be():
    named = {
        path.relative_to(ROOT).as_posix()
        for path in MODULES
        if re.search(r"\b(METRICS|METRIC_OF|READING_OF)\b", path.read_text(encoding="utf-8"))
    }
    assert named == {
        f"pipeline/{one}.py" for one in ("core/metrics", "core/settings", "core/quality_rules", "tables/dictionary")
    }


def test_no_file_is_too_long_to_read_at_once():
    n_lines = {name: len((ROOT / name).read_text(encoding="utf-8").splitlines()) for name in NAMES}
    assert {name: n for name, n in n_lines.items() if n > MOST_LINES_OF_A_FILE} == {}


def test_no_function_is_too_long_to_see_at_once():
    too_long = [
        f"{name}: {node.name}"
        for name in NAMES
        for node in ast.walk(tree(ROOT / name))
        if isinstance(node, Function) and (node.end_lineno or 0) - node.lineno >= MOST_LINES_OF_A_FUNCTION
    ]
    assert too_long == []


def public(nodes: Sequence[ast.stmt]) -> list[Function | ast.ClassDef]:
    return [node for node in nodes if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_")]


def test_every_module_and_everything_public_says_what_it_is():
    undocumented = []
    for name in NAMES:
        module = tree(ROOT / name)
        if not ast.get_docstring(module):
            undocumented.append(name)
        for node in public(module.body):
            methods = [one for one in public(node.body) if isinstance(one, Function)]
            members = methods if isinstance(node, ast.ClassDef) else []
            undocumented += [f"{name}: {one.name}" for one in (node, *members) if not ast.get_docstring(one)]
    assert undocumented == []


def test_nothing_is_printed_or_logged_but_by_the_commands():
    # Prefect's own loggers may be quietened; nothing of ours speaks through them.
    speaks = re.compile(r"print$|(.*\.)?log(ger|ging)?\.(debug|info|warning|error|exception|critical)$")
    found = [
        f"{name}, line {node.lineno}"
        for name in NAMES
        if name != "pipeline/__main__.py"
        for node in ast.walk(tree(ROOT / name))
        if isinstance(node, ast.Call) and speaks.match(ast.unparse(node.func))
    ]
    assert found == []


# --- What git keeps --------------------------------------------------------------------------------------------------

#: A folder of somebody's machine. Patterns are written so that this file does not hold what it looks for.
MACHINE_PATH = re.compile(
    rb"/(?:ho" + rb"me|Us" + rb"ers|ro" + rb"ot|wo" + rb"rk|t" + rb"mp)/[\w.-]+|[A-Z]:\\Us" + rb"ers"
)


def test_no_file_holds_a_path_of_somebodys_machine():
    found = [
        f"{path.relative_to(ROOT)}: {match.group().decode()}"
        for path in tracked_files()
        if path.suffix not in (".gz", ".fit", ".zip", ".xlsx", ".png")
        for match in [MACHINE_PATH.search(path.read_bytes())]
        if match
    ]
    assert found == []


def test_the_gate_runs_the_tests_that_a_plain_run_leaves_out_but_for_those_that_take_minutes():
    gate = ROOT / ".ci" / "run"
    if not gate.is_file():
        pytest.skip("a source distribution has no gate")
    assert {"python -m pytest", "python -m pytest -m depth"} <= set(gate.read_text(encoding="utf-8").splitlines())


def test_nothing_that_is_made_is_kept():
    endings = (".pyc", ".log", ".duckdb", ".parquet", ".xlsx")
    assert [path.name for path in tracked_files() if path.name.endswith(endings)] == []


def test_every_file_of_tests_lies_as_what_it_tests_does():
    # tests/<folder>/test_<module>.py tests pipeline/<folder>/<module>.py; these test a property of the whole.
    whole = {"flows/cluster", "flows/flow_refresh", "commands/commands", "tables/tables"} | {
        f"pages/pages_{name}" for name in ("at_a_glance", "in_a_browser", "of_a_hostile_club", "tell_the_tables")
    }
    for path in (ROOT / "tests").glob("*/test_*.py"):
        folder, name = path.parent.name, path.stem.removeprefix("test_")
        if folder not in ("line", "odd", "reference", "validity"):
            module = ROOT / "pipeline" / folder / f"{name}.py"
            assert module.is_file() or f"{folder}/{name}" in whole, path.relative_to(ROOT)
    assert [path.name for path in (ROOT / "tests").glob("test_*.py")] == []

"""What counts as code: a change of it makes the next refresh compute everything again."""

from __future__ import annotations

from pathlib import Path

from pipeline.core.code import files_of_code

ROOT = Path(__file__).parents[2]


def test_every_file_that_decides_a_number_or_a_sentence_counts_as_code():
    shipped = {path for name in ("pipeline", "sql") for path in (ROOT / name).rglob("*") if path.is_file()}
    of_pages = {path for path in shipped if ROOT / "pipeline" / "pages" in path.parents and path.suffix != ".py"}
    others = {path for path in shipped if path.suffix == ".pyc" or path.name == "py.typed"}
    assert {*files_of_code()} == shipped - of_pages - others
    assert ROOT / "pipeline" / "formats" / "headers.toml" in files_of_code()

from __future__ import annotations

import sys
from pathlib import Path

import jinja2
import pytest

from pipeline.pages.compiled import CompiledTemplates


@pytest.fixture(autouse=True)
def kept_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of compiled modules."""
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path / "compiled"))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path / "compiled"


class Environment(jinja2.Environment):
    """One of a new process, that counts what it compiles."""

    def __init__(self, source: str, language: str = "en", rests_on: str = "a") -> None:
        loader = jinja2.DictLoader({"page.html": source})
        super().__init__(loader=loader, bytecode_cache=CompiledTemplates(language, rests_on))
        self.n_compiled = 0

    def compile(self, *arguments, **more):
        self.n_compiled += 1
        return super().compile(*arguments, **more)

    def page(self) -> tuple[str, int]:
        """The page, and how many templates were compiled for it."""
        return self.get_template("page.html").render(name="Ari"), self.n_compiled


def test_a_template_is_compiled_once_for_all_processes():
    assert Environment("{{ name }} runs").page() == ("Ari runs", 1)
    assert Environment("{{ name }} runs").page() == ("Ari runs", 0)


@pytest.mark.parametrize("other", [{"source": "{{ name }} walks"}, {"language": "de"}, {"rests_on": "b"}])
def test_another_template_language_or_code_is_compiled_again(other):
    Environment("{{ name }} runs").page()
    asked = {"source": "{{ name }} runs"} | other
    assert Environment(**asked).page() == (asked["source"].replace("{{ name }}", "Ari"), 1)


def test_languages_are_kept_next_to_each_other():
    for n_compiled in (1, 0):
        assert Environment("{{ name }} runs").page() == ("Ari runs", n_compiled)
        assert Environment("{{ name }} runs", "de").page() == ("Ari runs", n_compiled)


@pytest.mark.parametrize("damage", [lambda content: content[:-1], lambda _: b"", lambda content: content[::-1]])
def test_what_is_damaged_is_compiled_again(kept_in, damage):
    Environment("{{ name }} runs").page()
    (file,) = (path for path in kept_in.rglob("*") if path.is_file())
    file.write_bytes(damage(file.read_bytes()))
    assert Environment("{{ name }} runs").page() == ("Ari runs", 1)
    assert Environment("{{ name }} runs").page() == ("Ari runs", 0)


def test_where_nothing_can_be_written_pages_are_drawn(kept_in):
    kept_in.write_text("no folder")
    assert Environment("{{ name }} runs").page() == ("Ari runs", 1)


def test_where_python_keeps_no_compiled_modules_no_template_is_kept(kept_in, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert Environment("{{ name }} runs").page() == ("Ari runs", 1)
    assert not kept_in.exists()

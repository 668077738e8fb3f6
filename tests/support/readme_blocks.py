"""The blocks of README.md that are made from the code. `python -m tests.support.readme_blocks` writes them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from pipeline.commands.as_json import documents
from pipeline.core.errors import EXIT_CODES
from pipeline.formats.column_mapping import OPTIONS
from pipeline.formats.columns import COLUMNS, MEANINGS
from pipeline.inbox.corrections import KEYS
from pipeline.inbox.lists import CHOICES, LISTS

README = Path(__file__).parents[2] / "README.md"


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def _code(words: Iterable[str]) -> str:
    return ", ".join(f"`{word}`" for word in words).replace("\t", "\\t")


def _csv_columns() -> str:
    names: dict[str, list[str]] = {}
    for name, column in COLUMNS.items():
        names.setdefault(column.reading, []).append(name)
    return _table(("column", "what it holds"), ((_code(given), MEANINGS[reading]) for reading, given in names.items()))


def _columns_toml() -> str:
    options = ((f"`{key}`", _code(option.accepted), option.meaning) for key, option in OPTIONS.items())
    sections = (
        ("`[columns]`", "", 'Lines `"header" = "column"`, or `"header" = ""` to leave a column out.'),
        ('`[files."NAME"]`', "", "The same keys for one file, which take precedence."),
        ('`[files."NAME".columns]`', "", "The same lines for one file."),
    )
    return _table(("key", "values", "meaning"), [*options, *sections])


def _lists() -> str:
    def shown(name: str, column: str) -> str:
        choices = CHOICES.get(name, {}).get(column)
        return f"`{column}`" + (f" ({', '.join(choices)})" if choices else "")

    rows = ((f"`{name}`", ", ".join(shown(name, column) for column in columns)) for name, columns in LISTS.items())
    return _table(("list", "columns"), rows)


def _exit_codes() -> str:
    return _table(("code", "meaning"), ((str(code), meaning) for code, meaning in EXIT_CODES.items()))


def _corrections_toml() -> str:
    return _table(("key", "meaning"), ((f"`{key}`", meaning) for key, meaning in KEYS.items()))


def _json_keys() -> str:
    rows = ((f"`{name}`", f"`{key}`", words) for name, keys in documents().items() for key, words in keys.items())
    return _table(("command", "key", "meaning"), rows)


BLOCKS: Mapping[str, Callable[[], str]] = {
    "csv columns": _csv_columns,
    "columns.toml": _columns_toml,
    "corrections.toml": _corrections_toml,
    "lists": _lists,
    "exit codes": _exit_codes,
    "json keys": _json_keys,
}


def with_blocks(text: str) -> str:
    """The text of the README with each block as the code has it."""
    for name, block in BLOCKS.items():
        begin, end = f"<!-- begin: {name} -->", f"<!-- end: {name} -->"
        assert text.count(begin) == text.count(end) == 1, name
        before, _, rest = text.partition(begin)
        text = f"{before}{begin}\n\n{block()}\n\n{end}{rest.partition(end)[2]}"
    return text


if __name__ == "__main__":
    README.write_text(with_blocks(README.read_text(encoding="utf-8")), encoding="utf-8")

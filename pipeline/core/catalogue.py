"""Catalogues of texts: `<code>.toml` in a folder, a file per language. A text may name values in braces."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any


@cache
def catalogue(folder: Path, code: str) -> Mapping[str, str]:
    """The texts of a language by key; the keys of tables inside tables are joined by dots."""
    with (folder / f"{code}.toml").open("rb") as file:
        return dict(_flat("", tomllib.load(file)))


def _flat(prefix: str, part: Mapping[str, Any]) -> list[tuple[str, str]]:
    pairs: list[tuple[str, str]] = []
    for key, value in part.items():
        name = f"{prefix}.{key}" if prefix else key
        # Lines are wrapped in the file and joined here.
        pairs += _flat(name, value) if isinstance(value, dict) else [(name, " ".join(str(value).split()))]
    return pairs


def form_of(texts: Mapping[str, str], key: str, values: Mapping[str, object]) -> str:
    """The key of the text: where it has the forms `one` and `other`, the value `n` chooses between them."""
    if "n" in values and f"{key}.one" in texts:
        return f"{key}.one" if values["n"] == 1 else f"{key}.other"
    return key

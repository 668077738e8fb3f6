"""The page of the methods: `data/METHODS.md`, and the settings in force."""

from __future__ import annotations

import dataclasses
from typing import Any

from markdown_it import MarkdownIt
from markupsafe import Markup

from pipeline.core.resources import shipped
from pipeline.core.settings import Settings


def methods_page(settings: Settings) -> dict[str, Any]:
    """What the page of the methods shows."""
    text = shipped("data/METHODS.md").read_text(encoding="utf-8")
    rendered = MarkdownIt("commonmark", {"html": False}).enable("table").render(text)
    # Wide blocks scroll on a phone, so they must be reachable by keyboard.
    for wide in ("pre", "table"):
        rendered = rendered.replace(f"<{wide}>", f'<{wide} tabindex="0">')
    # The page has its own heading: those of the text move one level down.
    for level in (3, 2, 1):
        rendered = rendered.replace(f"<h{level}>", f"<h{level + 1}>").replace(f"</h{level}>", f"</h{level + 1}>")
    defaults = {name: value for name, value, _, _ in Settings().describe()}
    return {
        "methods": Markup(rendered),
        "settings": [
            {"name": name, "value": value, "unit": unit, "reason": reason, "is_default": value == defaults[name]}
            for name, value, unit, reason in settings.describe()
        ],
        "n_settings": len(dataclasses.fields(Settings)),
    }

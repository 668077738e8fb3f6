"""What all pages share: written whole, and nothing in it asks anybody for anything."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.pages import assets
from pipeline.pages.assets import ASSETS, write_assets

OURS = Path(assets.__file__).parent / "assets"


def test_style_and_script_are_written_as_they_are(tmp_path: Path):
    write_assets(tmp_path / "pages" / "assets")
    written = {file.name: file.read_bytes() for file in (tmp_path / "pages" / "assets").iterdir()}
    assert written == {name: (OURS / name).read_bytes() for name in ASSETS}
    assert set(ASSETS) == {file.name for file in OURS.iterdir()}


def test_they_are_light():
    assert sum((OURS / name).stat().st_size for name in ASSETS) < 60_000


@pytest.mark.parametrize("name", ASSETS)
def test_nothing_of_ours_fetches_anything(name: str):
    text = (OURS / name).read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")  # a name, no address
    forbidden = (
        r"https?:|//\w+\.\w+|\bfetch\s*\(|XMLHttpRequest|WebSocket|EventSource|sendBeacon|importScripts|\bimport\b"
    )
    assert re.findall(forbidden + r"|@import|url\(|\beval\s*\(|new Function|innerHTML", text) == []

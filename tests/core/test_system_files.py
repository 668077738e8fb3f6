"""What computers leave next to a person's files."""

from __future__ import annotations

from pathlib import PurePosixPath

import pytest

from pipeline.core.system_files import is_left_by_system


@pytest.mark.parametrize(
    "path", ["Thumbs.db", "a/DESKTOP.INI", ".DS_Store", "__MACOSX/a/b.fit", "ari/~$runs.xlsx", "ari/._a.fit"]
)
def test_their_files_are_known_anywhere_in_a_path(path: str):
    assert is_left_by_system(PurePosixPath(path).parts)


@pytest.mark.parametrize("path", ["thumbs.fit", "ari/a.fit", "desktop/a.fit", "macosx/a.fit"])
def test_names_that_only_look_alike_are_the_persons_own(path: str):
    assert not is_left_by_system(PurePosixPath(path).parts)

"""The software that a study was computed with."""

from __future__ import annotations

import platform
import re
import subprocess
from functools import cache
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any

NAME = "splitdrift"


def software() -> dict[str, Any]:
    """Versions of the program, of Python, of the platform and of every library, and the commit of a checkout."""
    return {
        "splitdrift": version(NAME),
        "licence_of_splitdrift": "Apache-2.0",
        "commit": commit(),
        "python": f"{platform.python_implementation()} {platform.python_version()}",
        "platform": f"{platform.system()} {platform.machine()}",
        "libraries": libraries(),
    }


@cache
def libraries() -> dict[str, str]:
    """Installed versions of all that splitdrift needs, directly or not, by name."""
    found: dict[str, str] = {}
    waiting = [NAME]
    while waiting:
        name = waiting.pop()
        for requirement in requires(name) or []:
            wanted = re.split(r"[^\w.-]", requirement, maxsplit=1)[0].lower().replace("_", "-")
            if "extra ==" in requirement or wanted in found:
                continue
            try:
                found[wanted] = version(wanted)
            except PackageNotFoundError:  # for another platform
                continue
            waiting.append(wanted)
    return dict(sorted(found.items()))


def requirements() -> str:
    """The same as a file for pip."""
    return "".join(f"{name}=={number}\n" for name, number in libraries().items())


@cache
def commit() -> str | None:
    """The commit of the checkout that runs, with "+" where files differ from it; None where it is no checkout."""
    folder = Path(__file__).parents[2]
    if not (folder / ".git").exists():
        return None

    def git(*words: str) -> str:
        done = subprocess.run(["git", *words], cwd=folder, capture_output=True, text=True, check=True, timeout=20)
        return done.stdout.strip()

    try:
        return git("rev-parse", "HEAD") + ("+" if git("status", "--porcelain", "--untracked-files=no") else "")
    except (OSError, subprocess.SubprocessError):
        return None

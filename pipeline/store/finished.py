"""What a refresh that did not come to its end had finished: the results of shards of files.

They are kept in the state that was being built, next to the samples that belong to them, and the next refresh takes
over those whose files have the same keys: content, settings, lists and code. A state with such results is kept when a
refresh is interrupted or killed. For stores of this machine; in an object store a refresh starts over.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.core.places import remove_tree
from pipeline.methods.tree_sum import digest_of
from pipeline.store.bundles import Bundle
from pipeline.store.contents import digests
from pipeline.store.generations import FINISHED, SYNCED, link_files, link_tree, unfinished
from pipeline.store.sections import Section

_ABOUT, _BUNDLE = "about.json", "bundle"
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass
class Finished:
    """The finished shards of one refresh.

    Attributes:
        keys: of each file that is to be read.
    """

    store: Path
    keys: Mapping[str, str]

    def keep(self, built: Path, bundle: Bundle) -> Bundle:
        """Keep the result of a shard, whose samples are written; returns it by its new name."""
        folder = built / FINISHED / f"{digest_of(bundle.athlete_id):08x}-{secrets.token_hex(8)}"
        folder.mkdir(parents=True)
        (built / bundle.name).rename(folder / _BUNDLE)
        samples = [name for name in bundle.samples if (built / name).is_file()]
        about = {
            "boot": _boot(),
            "athlete_id": bundle.athlete_id,
            "keys": {path: self.keys[path] for path in bundle.files},
            "samples": digests(built, samples),
            "bundle": digests(folder, [_BUNDLE]),
        }
        (folder / _ABOUT).write_text(json.dumps(about), encoding="utf-8")  # last: without it there is no result
        return replace(bundle, name=(folder / _BUNDLE).relative_to(built).as_posix())

    def take_over(self, built: Path, section: Section) -> Iterator[Bundle]:
        """Give the results of a section's files, with their samples, a place in the state being built."""
        left = set(self.keys)
        for state in _before(self.store, built):
            kept = (state / FINISHED).glob("*-*")
            for folder in sorted(one for one in kept if section.holds_digest(int(one.name[:8], 16))):
                about = _about(folder / _ABOUT)
                files = about.get("keys", {})
                if files and files.keys() <= left and all(self.keys[path] == key for path, key in files.items()):
                    bundle = self._taken(state, built, folder, about)
                    if bundle is not None:
                        left -= files.keys()
                        yield bundle

    def _taken(self, state: Path, built: Path, folder: Path, about: Mapping[str, Any]) -> Bundle | None:
        """The result of a shard; None where a file of it is missing or not what was written."""
        if about["boot"] != _boot() and not (state / FINISHED / SYNCED).is_file():
            return None  # the machine was restarted, and what was not on the disk by then is lost
        if any(digests(place, about[kind]) != about[kind] for place, kind in ((state, "samples"), (folder, "bundle"))):
            return None
        link_files(state, built, about["samples"])
        inside = folder.relative_to(state)
        link_tree(state, built, inside)
        own_about = built / inside / _ABOUT
        own_about.unlink()  # not written into: the file is the older state's too
        own_about.write_text(json.dumps({**about, "boot": _boot()}), encoding="utf-8")
        files, names = tuple(about["keys"]), tuple(about["samples"])
        return Bundle((inside / _BUNDLE).as_posix(), about["athlete_id"], bool(names), files, names)


def n_files_kept(store: Path) -> int:
    """How many files the next refresh need not read, of those that are in states that were not completed."""
    kept = (_about(file) for state in unfinished(store) for file in (state / FINISHED).glob(f"*/{_ABOUT}"))
    return len({path for about in kept for path in about.get("keys", {})})


def remove_older(store: Path, built: Path) -> None:
    """Remove states that were not completed, of which all that is wanted was taken over."""
    for state in _before(store, built):
        remove_tree(state)


def _before(store: Path, built: Path) -> list[Path]:
    return [state for state in unfinished(store) if state.name != built.name]


def _about(file: Path) -> dict[str, Any]:
    try:
        about = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return (
        about if isinstance(about, dict) and {"boot", "athlete_id", "keys", "samples", "bundle"} <= about.keys() else {}
    )


@cache
def _boot() -> str:
    """What identifies the time since the machine was started; random where the system does not say, so never equal."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return secrets.token_hex(16)

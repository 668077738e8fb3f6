"""Every error a user can meet, each with its exit code.

Three families, because three people deal with them: a `Refused` file concerns its owner and never stops a refresh; a
`UsageError` concerns the person at the keyboard; a `BrokenPromise` is a bug of splitdrift.
"""

from __future__ import annotations

import errno
import shlex
from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from pathlib import Path
from typing import Any

from pipeline.core.reasons import Because, Reason, because, words

EXIT_NOTHING_DONE = 1
EXIT_WRONG_USE = 2
EXIT_DONE_BUT_REJECTED = 3
EXIT_NOT_DELIVERED = 4
#: What shells give to a program that was ended by an interrupt: 128 and the number of the signal.
EXIT_INTERRUPTED = 130

#: For the documentation.
EXIT_CODES = {
    0: "Done, or nothing new.",
    EXIT_NOTHING_DONE: "Nothing done: no recordings, no accepted run, no store, another process is changing it, or a "
    "file in it is damaged.",
    EXIT_WRONG_USE: "Wrong use: an unknown option, an unreadable list, or a fault in settings.toml or a study file.",
    EXIT_DONE_BUT_REJECTED: "With `--strict`: done, but files were rejected.",
    EXIT_NOT_DELIVERED: "`nightly --once`: done or skipped, but a delivery of the page failed.",
    EXIT_INTERRUPTED: "Interrupted (Ctrl-C); the message says what is kept.",
}


class SplitdriftError(Exception):
    """Shown to the user as one clean message, without a traceback."""

    exit_code = EXIT_NOTHING_DONE


class Refused(SplitdriftError):
    """One input file, or one session in it, cannot be used. It becomes a row of `recordings`.

    Args:
        kind: why.
        fields: what the sentences of the kind name.

    Attributes:
        reasons: the kind and its fields; several where several reasons are given at once.
    """

    def __init__(self, kind: Reason, **fields: Any) -> None:
        super().__init__()
        self.reasons: tuple[Because, ...] = (because(kind, **fields),)

    @classmethod
    def of(cls, reasons: Iterable[Because]) -> Refused:
        """A refusal for one reason or several."""
        refusal = cls.__new__(cls)
        refusal.reasons = tuple(reasons)
        return refusal

    @property
    def reason(self) -> str:
        """What was found and what was expected, in English."""
        return words(self.reasons)[0]

    @property
    def fix(self) -> str:
        """What a person can do about it, in English; empty where nothing can be done."""
        return words(self.reasons)[1]

    def __str__(self) -> str:
        return " ".join(filter(None, words(self.reasons)))

    def __reduce__(self) -> tuple[Callable[..., Refused], tuple[tuple[Because, ...]]]:
        # Refusals travel from worker processes to the parent.
        return (type(self).of, (self.reasons,))


class UsageError(SplitdriftError):
    """The command was given something it cannot work with (a missing inbox, an unknown table, a bad setting)."""

    exit_code = EXIT_WRONG_USE


class Unusable(Refused, UsageError):
    """A file that a person wrote is none that can be read.

    A list or settings stop the command, a `columns.toml` costs the recordings that it is for.
    """


class NothingDone(SplitdriftError):
    """The command was understood but produced nothing: an empty inbox, no accepted run, no store yet."""


class Held(NothingDone):
    """Another process is changing the store.

    Args:
        holder: the process that holds its lock; None where it is not known.
        since: when that process took the lock, ISO 8601; None where it is not known.
    """

    def __init__(self, store: object, holder: str | None = None, since: str | None = None) -> None:
        super().__init__(store, holder, since)
        self.store, self.holder, self.since = store, holder, since

    @property
    def fact(self) -> str:
        """What is the case, without advice."""
        since = f", since {self.since}" if self.since else ""
        return f"{self.store} is being changed by {self.holder or 'another process'}{since}."

    def __str__(self) -> str:
        return (
            f"{self.fact} Wait until it has ended (`splitdrift refresh` does with --wait SECONDS); readers need not "
            "wait."
        )


class LockLost(Held):
    """The lock of the store expired, or was removed with the store; another process may hold it."""

    @property
    def fact(self) -> str:
        """What is the case, without advice."""
        return f"The lock of {self.store} expired or was removed, and another process may have taken it."

    def __str__(self) -> str:
        return self.fact


class OtherVersion(NothingDone):
    """A store whose tables have other columns than this version's."""

    def __init__(self, store: object) -> None:
        super().__init__(store)

    def __str__(self) -> str:
        return f"The tables of {self.args[0]} were made by another version of splitdrift. Refresh it once more."


class Fault(Enum):
    """How a file differs from what was written."""

    MISSING = "is missing"
    LENGTH = "has another length than it was written with"
    CONTENT = "has another content than it was written with"
    UNREADABLE = "cannot be read"
    FOREIGN = "was not written by a refresh"


class Damaged(NothingDone):
    """Files of a store's state are not as they were written.

    Args:
        state: folder of the state.
        faults: how each file differs, by its path in the state.
    """

    def __init__(self, state: Path, faults: Mapping[str, Fault]) -> None:
        super().__init__(state, faults)
        self.state, self.faults = state, faults

    @property
    def fact(self) -> str:
        """What is the case, without advice."""
        name, fault = next(iter(self.faults.items()))
        n_more = len(self.faults) - 1
        more = f" {n_more} more {'file is' if n_more == 1 else 'files are'} damaged." if n_more else ""
        return f"The file {self.state / name} {fault.value}.{more}"

    @property
    def command(self) -> str:
        """The command that repairs it."""
        return f"splitdrift verify --store {shlex.quote(str(self.state.parents[1]))} --repair"

    def __str__(self) -> str:
        return f"{self.fact} `{self.command}` repairs it from the recordings."


class Interrupted(KeyboardInterrupt):
    """An interrupt from the keyboard, with what is kept of the work that it ended.

    Args:
        n_kept: files whose results the next refresh takes over.
        n_files: files that were to be read; 0 where that was not known yet.
    """

    def __init__(self, n_kept: int, n_files: int) -> None:
        super().__init__(n_kept, n_files)
        self.n_kept, self.n_files = n_kept, n_files

    def __str__(self) -> str:
        if self.n_kept == 0:
            return "Interrupted. The store is as it was before; the next refresh starts over."
        of = f" of {self.n_files:,}" if self.n_files else ""
        return (
            f"Interrupted. The store is as it was before. What {self.n_kept:,}{of} files gave is kept: the next "
            "refresh goes on from there."
        )


class BrokenPromise(SplitdriftError):
    """A stage returned rows that break the schema of its table. This is a bug in splitdrift, not in the data."""


# --- In words --------------------------------------------------------------------------------------------------------

#: Libraries that reach object stores, by name so that they are not imported for this.
_OF_OBJECT_STORES = ("aiobotocore", "aiohttp", "botocore", "fsspec", "s3fs")
_REMEDIES = {
    errno.EACCES: "Check the permissions there.",
    errno.EPERM: "Check the permissions there.",
    errno.EROFS: "Name a place that can be written to.",
    errno.ENOSPC: "Make room on that disk; nothing is lost.",
    errno.EDQUOT: "Make room in that quota; nothing is lost.",
}


def in_words(error: BaseException) -> str | None:
    """What went wrong and what to do, for errors caused by the environment; None for any other, which is a bug."""
    if isinstance(error, SplitdriftError):
        return str(error)
    if type(error).__module__.partition(".")[0] in _OF_OBJECT_STORES:
        return (
            f"The object store cannot be used ({type(error).__name__}): {str(error).rstrip('.')}. "
            "Check its address, and the endpoint (AWS_ENDPOINT_URL) and credentials in the environment."
        )
    if isinstance(error, OSError):
        what = f"{error.strerror or error}".rstrip(".")
        where = f": {error.filename}" if error.filename else ""
        return f"{what}{where}. {_REMEDIES.get(error.errno or 0, '')}".strip()
    return None

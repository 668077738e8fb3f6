"""Every error a user can meet, each with its exit code.

Three families, because three people deal with them: a `Refused` file concerns the person who owns the file and never
stops a refresh; a `UsageError` concerns the person at the keyboard; a `BrokenPromise` is our own bug.
"""

from __future__ import annotations

EXIT_NOTHING_DONE = 1
EXIT_WRONG_USE = 2
EXIT_DONE_BUT_REFUSED = 3


class SplitdriftError(Exception):
    """Shown to the user as one clean message, without a traceback."""

    exit_code = EXIT_NOTHING_DONE


class Refused(SplitdriftError):
    """One input file, or one session in it, cannot be used. It becomes a row of `recordings`.

    Args:
        reason: what was found and what was expected, for a person who has never seen the format.
        fix: what that person can do about it; empty where nothing can be done.
    """

    def __init__(self, reason: str, fix: str = "") -> None:
        super().__init__(f"{reason} {fix}".strip())
        self.reason = reason
        self.fix = fix

    def __reduce__(self) -> tuple[type[Refused], tuple[str, str]]:
        # Refusals travel from worker processes to the parent; the default would pickle the joined message only.
        return (type(self), (self.reason, self.fix))


class UsageError(SplitdriftError):
    """The command was given something it cannot work with (a missing inbox, an unknown table, a bad setting)."""

    exit_code = EXIT_WRONG_USE


class NothingDone(SplitdriftError):
    """The command was understood but produced nothing: an empty inbox, no accepted run, no store yet."""


class Held(NothingDone):
    """Another process is changing the store."""


class BrokenPromise(SplitdriftError):
    """A stage handed on rows that break its own table's schema. This is a bug in splitdrift, not in the data."""

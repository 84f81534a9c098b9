"""Errors for the person who meets them: each message says what is wrong, where, and what to do."""

from __future__ import annotations

from collections.abc import Sequence


class DrainledgerError(Exception):
    """Anything drainledger says no to, in one sentence a user can act on."""


class CallError(DrainledgerError):
    """The call itself was wrong (exit status 2)."""


class InputError(DrainledgerError):
    """A file, profile, registry, rule or definition cannot be used as it is."""


def of_named_path(error: OSError, said: str) -> CallError | InputError:
    """
    The error for a path that a call names: one that is not there, or is no file, is a wrong call.

    Parameters
    ----------
    said
        The sentence: which path, what is wrong with it, what to do.
    """
    wrong = isinstance(error, FileNotFoundError | NotADirectoryError | IsADirectoryError)
    return CallError(said) if wrong else InputError(said)


class Slips(InputError):
    """
    Several things wrong with one file, all that could be told in one run; each is a sentence and a line.

    Parameters
    ----------
    told
        The sentences, each whole by itself: what, where, what to do.
    """

    def __init__(self, told: Sequence[str]) -> None:
        super().__init__("\n".join(told))
        self.told = tuple(told)


class LedgerError(DrainledgerError):
    """The home cannot be used: locked, damaged, not writable (exit status 3)."""


class LakeError(LedgerError):
    """A table of the lake cannot be read; the raw files can make it again."""


class DiskError(LedgerError):
    """The disk under the home refuses: full, read-only, failing. Nothing of the ledger is broken by it."""


class StoreError(LedgerError):
    """
    The object store that holds raw files and lake does not do what was asked.

    Parameters
    ----------
    passing
        Whether trying again later, with nothing changed, may help.
    """

    def __init__(self, said: str, *, passing: bool = False) -> None:
        super().__init__(said)
        self.passing = passing

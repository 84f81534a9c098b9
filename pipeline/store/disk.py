"""What a disk's refusal means, whichever library met it."""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path

from schemas.errors import DiskError

_MEANINGS = {
    errno.ENOSPC: ("the disk is full", "make room"),
    errno.EDQUOT: ("the disk quota is used up", "make room or have it raised"),
    errno.EFBIG: ("a file may grow no further", "lift the limit on the size of files"),
    errno.EROFS: ("the disk is mounted read-only", "mount it for writing"),
    errno.EIO: ("the disk fails", "have it looked at, and restore the home on another from a backup"),
    errno.EMFILE: ("too many files are open", "raise the limit on open files (ulimit -n)"),
    errno.ENFILE: ("too many files are open on this machine", "raise the limit or wait"),
    errno.EACCES: ("something in it may not be written by this user", "give it back to the home's owner"),
    errno.EPERM: ("something in it may not be written by this user", "give it back to the home's owner"),
}
# Engines written in other languages give the number, or only the words, in the text of errors of their own.
_NUMBER = re.compile(r"os error (\d+)")
_WORDS = {os.strerror(number): number for number in _MEANINGS if number not in (errno.EACCES, errno.EPERM)}


def disk_fault(error: BaseException, root: Path) -> DiskError | None:
    """
    The sentence for an error that is the disk's and not ours; null for any other.

    Parameters
    ----------
    root
        The home. A file elsewhere that may not be read is not the home's fault.

    Examples
    --------
    >>> str(disk_fault(OSError(errno.ENOSPC, "No space left on device"), Path("ledger")))[:39]
    'home ledger: the disk is full; nothing '
    >>> disk_fault(ValueError("x"), Path("ledger")) is None
    True
    """
    number = _number(error)
    if number is None:
        return None
    where = getattr(error, "filename", None)
    if where is not None and number in (errno.EACCES, errno.EPERM) and not _within(str(where), root):
        return None
    what, do = _MEANINGS[number]
    place = f" ({Path(str(where)).name})" if where is not None and _within(str(where), root) else ""
    return DiskError(
        f"home {root}: {what}{place}; nothing published has changed, so {do} and run the command again."
    )


def _number(error: BaseException) -> int | None:
    number = error.errno if isinstance(error, OSError) else None
    if number not in _MEANINGS:
        said = str(error)
        found = _NUMBER.search(said)
        number = int(found[1]) if found else next((n for words, n in _WORDS.items() if words in said), None)
    return number if number in _MEANINGS else None


def _within(path: str, root: Path) -> bool:
    return Path(path).absolute().is_relative_to(root.absolute())

"""
Look into the landing folder: which files are whole and new, which are left for the next run, and why.

Nobody tells a folder when a copy is finished. A file is taken when it has not been written for a while, or
when two looks some seconds apart find it the same and it ends as a whole file does. Everything else waits
for the next run, on record. Links are not followed: who may write into the folder must not choose what else
is read.
"""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flows.loading.litter import is_litter, is_litter_folder
from flows.nights.whole import ends_whole
from pipeline.store.seen import Fate, Sight
from schemas.errors import InputError

UNFINISHED = (".part", ".partial", ".filepart", ".tmp", ".temp", ".crdownload", ".download")

# Why a file was not taken: the word on record, and what it means.
REASONS: dict[str, str] = {
    "unfinished_name": "has the name of an unfinished copy",
    "hidden_name": "is hidden (its name begins with a dot)",
    "still_changing": "was still being written",
    "not_whole_yet": "is new and does not end like a whole file",
    "gone": "went away while it was read",
    "link": "is a link; links are not followed here",
    "not_a_file": "is neither a file nor a folder",
}


@dataclass(frozen=True)
class Patience:
    """
    How long a landing folder's files are waited for.

    Parameters
    ----------
    settle
        A file not written for so long is whole.
    look_seconds
        Between the two looks at one that was.
    """

    settle: timedelta = timedelta(minutes=10)
    look_seconds: float = 5.0


@dataclass(frozen=True)
class Look:
    """
    What lies in a landing folder.

    Parameters
    ----------
    ready
        Files to load, in order of their paths.
    known
        Files that lie as a night before had left them: nothing to do.
    left
        Files left for the next run, what could not be read, and what is no file, each with its reason.
    gone
        Places on record where nothing lies now.
    litter
        How many files and folders of file managers, editors and drives were passed over: none of ours.
    """

    root: Path
    ready: tuple[Sight, ...]
    known: tuple[Sight, ...]
    left: tuple[Sight, ...]
    gone: tuple[Path, ...]
    litter: int = 0

    @property
    def reasons(self) -> dict[str, int]:
        """How many were left for each reason."""
        words = [sight.why for sight in self.left]
        return {word: words.count(word) for word in sorted(set(words))}


def look_into(
    root: Path,
    sights: Mapping[Path, Sight],
    now: datetime,
    patience: Patience,
    *,
    profiles: str,
    not_below: tuple[Path, ...] = (),
    wait: Callable[[float], None] = time.sleep,
) -> Look:
    """
    Say which files below the folder are ready to load.

    Parameters
    ----------
    sights
        What was seen before, by place.
    profiles
        Digest of the site profiles there are: a file rejected with others is ready again.
    not_below
        Folders that are not looked into: the ledger's own, and where loaded files are moved.

    Raises
    ------
    InputError
        When the folder is not there or may not be read.
    """
    root = standing(root).resolve()
    ready: list[Sight] = []
    known: list[Sight] = []
    left: list[Sight] = []
    young: list[Sight] = []
    litter = 0
    for path, found in _walk(root, {folder.resolve() for folder in not_below}):
        if found is None:
            litter += 1
            continue
        if isinstance(found, Sight):
            left.append(replace(found, since=_since(found, sights, now)))
            continue
        seen = sights.get(path)
        unchanged = seen is not None and seen.same_file(found)
        if seen is not None and unchanged and _done(seen, profiles):
            known.append(seen)
            continue
        since = seen.since if seen is not None and unchanged else now
        sight = Sight(path, found.st_size, found.st_mtime_ns, found.st_ctime_ns, Fate.LEFT, since)
        if word := _unfit_name(path.name):
            left.append(replace(sight, why=word))
        elif _settled(sight, now, patience.settle):
            ready.append(sight)
        else:
            young.append(sight)
    if young:
        wait(patience.look_seconds)
    for sight in young:
        word = _second_look(sight)
        (left if word else ready).append(replace(sight, why=word))
    kept = {sight.path for sight in (*ready, *known, *left)}
    gone = tuple(sorted(set(_below(root, sights)) - kept)) if kept else ()
    by_path = lambda sight: os.fsencode(sight.path)  # noqa: E731
    ready.sort(key=by_path)
    left.sort(key=by_path)
    return Look(root, tuple(ready), tuple(known), tuple(left), gone, litter)


def standing(root: Path) -> Path:
    """
    The landing folder, which is there; what is missing may be a drive that is mounted later: no wrong call.

    Raises
    ------
    InputError
        When it is not there.
    """
    if not root.is_dir():
        raise InputError(
            f"landing folder {root}: there is no such folder; check that its drive is mounted, make it, or "
            "name another with --landing."
        )
    return root


def _walk(root: Path, closed: set[Path]) -> Iterator[tuple[Path, os.stat_result | Sight | None]]:
    """Every file below a folder with its status; a sight for what is none or closed; null for litter."""
    folders = [root]
    while folders:
        folder = folders.pop()
        try:
            with os.scandir(folder) as entries:
                inside = sorted(entries, key=lambda entry: os.fsencode(entry.name))
        except OSError as error:
            if folder == root:
                raise InputError(
                    f"landing folder {root}: cannot be read ({error.strerror}); mend its permissions."
                ) from error
            yield folder, _nothing(folder, Fate.UNREAD, errno_word(error))
            continue
        for entry in inside:
            path = Path(entry.path)
            try:
                found = entry.stat(follow_symlinks=False)
            except OSError as error:
                yield path, _nothing(path, Fate.UNREAD, errno_word(error))
                continue
            if stat.S_ISDIR(found.st_mode):
                if is_litter_folder(entry.name):
                    yield path, None
                elif entry.name.startswith("."):
                    yield path, _nothing(path, Fate.LEFT, "hidden_name")
                elif path not in closed:
                    folders.append(path)
            elif stat.S_ISREG(found.st_mode):
                yield path, None if is_litter(entry.name, found.st_size) else found
            else:
                word = "link" if stat.S_ISLNK(found.st_mode) else "not_a_file"
                yield path, _nothing(path, Fate.PASSED_OVER, word)


def _nothing(path: Path, fate: Fate, why: str) -> Sight:
    return Sight(path, 0, 0, 0, fate, datetime.fromtimestamp(0, UTC), why)


def _since(found: Sight, sights: Mapping[Path, Sight], now: datetime) -> datetime:
    seen = sights.get(found.path)
    return seen.since if seen is not None and (seen.fate, seen.why) == (found.fate, found.why) else now


def _done(seen: Sight, profiles: str) -> bool:
    return seen.fate == Fate.HELD or (seen.fate == Fate.REJECTED and seen.profiles == profiles)


def _unfit_name(name: str) -> str:
    if name.startswith("."):
        return "hidden_name"
    return "unfinished_name" if name.lower().endswith(UNFINISHED) else ""


def _settled(sight: Sight, now: datetime, settle: timedelta) -> bool:
    """Whether nobody wrote it for long enough, by its own time or by when it was first seen just so."""
    written = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=sight.written_ns // 1000)
    return settle <= timedelta(0) or now - written >= settle or now - sight.since >= settle


def _second_look(sight: Sight) -> str:
    try:
        if not sight.same_file(os.lstat(sight.path)):
            return "still_changing"
        return "" if ends_whole(sight.path) else "not_whole_yet"
    except FileNotFoundError:
        return "gone"
    except OSError:
        return ""  # who reads it will say what is wrong with it


def _below(root: Path, sights: Mapping[Path, Sight]) -> Iterator[Path]:
    return (path for path in sights if root in path.parents)


def errno_word(error: OSError) -> str:
    """
    A fault of input or output in one word that holds no name.

    Examples
    --------
    >>> errno_word(PermissionError(errno.EACCES, "Permission denied", "Ada_Example.csv"))
    'EACCES'
    """
    return errno.errorcode.get(error.errno or 0, type(error).__name__)

"""Who may see or change what lies in a home, beyond its owner."""

from __future__ import annotations

import os
import shlex
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.home import Home

_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_MAY_WRITE = stat.S_IWGRP | stat.S_IWOTH
_MAY_LIST = stat.S_IRGRP | stat.S_IROTH
_MAY_ENTER = stat.S_IXGRP | stat.S_IXOTH


@dataclass(frozen=True)
class Loose:
    """A place in a home that somebody else may reach, in words that say how, and the command that ends it."""

    path: Path
    what: str
    cure: str


def loose(home: Home) -> Iterator[Loose]:
    """
    What of a home is open to others than its owner, or leads elsewhere, in order of harm.

    The home itself is its owner's alone (0700), or lets others through to the database (0711) and no more;
    what it says of the night (`nightly.toml`) is then not for them either. The private store and the raw
    files are for their owner alone. The lake may be opened for reading, on
    purpose, to colleagues who ask for minutes, and the database is for reading; neither may be written by
    others. A link may have been laid on purpose; what it leads to is kept by other rules, so it is named.
    One line is given for each part, however much lies in it.
    """
    if not home.root.is_dir():
        return
    yield from _part(home.private, _OTHERS, "holds keys, names and rejected values, and others may reach it")
    yield from _part(home.root / "raw", _OTHERS, "holds the raw logs, and others may reach it")
    yield from _part(
        home.root / "lake", _MAY_WRITE, "is what everything is computed from, and others may write it"
    )
    yield from _root(home)
    for path in (home.database, home.store_file, home.root / ".lock"):
        yield from _one(path, _MAY_WRITE, "others may write it")
    night = home.root / "nightly.toml"
    if entered(home):
        yield from _one(night, _OTHERS, "says where files come from and go, and others may reach it")
    else:
        yield from _one(night, _MAY_WRITE, "says what runs at night, and others may write it")


def entered(home: Home) -> bool:
    """Whether others than the owner may pass through the home's folder to what is open in it."""
    return bool(home.root.stat().st_mode & _MAY_ENTER)


def _root(home: Home) -> Iterator[Loose]:
    """The home's own folder, where others may list or write it."""
    mode = stat.S_IMODE(home.root.stat().st_mode)
    ways = [way for bits, way in ((_MAY_WRITE, "write"), (_MAY_LIST, "list")) if mode & bits]
    if not ways:
        return
    what = f"others may {' and '.join(ways)} it"
    if mode & _MAY_ENTER and home.database.exists() and home.database.stat().st_mode & _MAY_LIST:
        what += f", and read {home.database.name} in it"
    yield Loose(home.root, f"{what} (mode {mode:04o})", f"chmod 700 {shlex.quote(str(home.root))}")


def _part(folder: Path, bits: int, what: str) -> Iterator[Loose]:
    """The folder, if it or anything in it is open so; what is closed off by a closed folder above is not."""
    closed = not folder.is_symlink() and folder.is_dir() and not folder.stat().st_mode & bits
    yield from _one(folder, bits, what)
    if closed and bits == _OTHERS:
        yield from _links(folder)
        return
    for entry in _below(folder):
        if found := list(_one(Path(entry.path), bits, what)):
            yield found[0]
            return


def _links(folder: Path) -> Iterator[Loose]:
    for entry in _below(folder):
        if entry.is_symlink():
            yield from _one(Path(entry.path), 0, "")


def _below(folder: str | Path) -> Iterator[os.DirEntry[str]]:
    """Everything below, in order; not as paths, of which thousands take longer to make than to look at."""
    try:
        with os.scandir(folder) as found:
            entries = sorted(found, key=lambda entry: entry.name)
    except OSError:  # gone since, or not ours to look into
        return
    yield from entries
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            yield from _below(entry.path)


def _one(path: Path, bits: int, what: str) -> Iterator[Loose]:
    try:
        mode = path.lstat().st_mode
    except OSError:
        return
    if stat.S_ISLNK(mode):
        yield Loose(
            path, "is a link to elsewhere", f"look at what it leads to: ls -lL {shlex.quote(str(path))}"
        )
    elif mode & bits:
        way = "go=" if bits == _OTHERS else "go-w"
        deep = "-R " if stat.S_ISDIR(mode) else ""
        yield Loose(
            path, f"{what} (mode {stat.S_IMODE(mode):04o})", f"chmod {deep}{way} {shlex.quote(str(path))}"
        )

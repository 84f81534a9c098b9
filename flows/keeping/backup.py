"""A home kept and brought back, whole: raw files, lake, private store, secret, published database."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flows.loading.load import Progress, at_work, compute_and_publish, silent
from flows.loading.request import request_for
from pipeline.provenance import code_version
from pipeline.store import Home
from pipeline.store.durable import PASSING, write_whole
from schemas.errors import CallError, InputError, LedgerError

LIST = "backup.json"
FORMAT = 1
_CHUNK = 2**20
# What belongs to a running process, and what a dead one left.
_PASSING = (".lock",)
_PASSING_BEGIN = ("verify-",)
_STORE = "store.toml"  # of a home whose raw files and lake lie in an object store
_PLACES = ("raw", "lake")


@dataclass(frozen=True)
class Kept:
    """What a backup holds, or what came back from one."""

    folder: Path
    made_at: str
    files: int
    size: int
    published: bool = False
    from_store: bool = False


def run_backup(home: Home, out: Path, now: datetime, progress: Progress = silent) -> Kept:
    """
    Copy a home to a new folder, with a list of every file and its SHA-256; nothing is loaded meanwhile.

    The secret is among it, so the copy is as private as the home. Raw files and lake of a home on an object
    store are fetched from there. The folder appears whole or not at all.

    Raises
    ------
    CallError
        When the folder is there already, or lies in the home.
    LedgerError
        When a load is running, the key is gone, or the folder cannot be written.
    """
    place = out.absolute()
    if place.exists() and (not place.is_dir() or any(place.iterdir())):
        raise CallError(f"backup: {out} is there already and not empty; name a new folder with --to.")
    if place.resolve().is_relative_to(home.root.resolve()):
        raise CallError(f"backup: {out} lies in the home itself and would go with it; name another place.")
    if not place.parent.is_dir():
        raise CallError(
            f"backup: {place.parent}: there is no such folder; check that its drive is mounted, make it, or "
            "name another place with --to."
        )
    beside = place.with_name(f".{place.name}.{os.getpid()}{PASSING}")
    try:
        with home.reading():
            shutil.rmtree(beside, ignore_errors=True)
            beside.mkdir(mode=0o700)
            listed: dict[str, list[Any]] = {}
            names = list(_contents(home))
            for done, (name, source) in enumerate(names):
                if done % 200 == 0:
                    progress("copying files", done, len(names))
                listed[name] = _copied(source, beside / name)
            progress("copying files", len(names), len(names))
            told: dict[str, Any] = {
                "drainledger_backup": FORMAT,
                "made_at": now.astimezone(UTC).isoformat(timespec="seconds"),
                "code": code_version(),
                "key_check": _key_check(home.secret()),
                "from_store": home.store is not None,
                "files": listed,
            }
            write_whole(beside / LIST, json.dumps(told, indent=1).encode())
        if place.is_dir():
            place.rmdir()
        beside.rename(place)
        os.sync()
    except OSError as error:
        raise LedgerError(
            f"backup: {out} cannot be written ({error.strerror}); name another place with --to."
        ) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    size = sum(entry[0] for entry in listed.values())
    return Kept(place, told["made_at"], len(listed), size, from_store=home.store is not None)


def run_restore(backup: Path, home: Home, now: datetime, progress: Progress = silent) -> Kept:
    """
    Bring a home back from a backup into a folder that is not there yet, and publish it where it is now.

    Every file is checked against the list before the home appears. A home that lay on an object store comes
    back onto this disk.

    Raises
    ------
    CallError
        When there is something in the home's place already.
    InputError
        When the folder is no backup, or a file of it is missing or changed, the secret among them.
    """
    root = home.root.absolute()
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise CallError(f"restore: {home.root} is there already and not empty; name a new home with --home.")
    told = _list_of(backup)
    _require_key(backup, told)
    beside = root.with_name(f".{root.name}.{os.getpid()}{PASSING}")
    try:
        shutil.rmtree(beside, ignore_errors=True)
        beside.mkdir(mode=0o700, parents=True)
        files: dict[str, list[Any]] = told["files"]
        for done, (name, entry) in enumerate(files.items()):
            if done % 200 == 0:
                progress("bringing back files", done, len(files))
            if told["from_store"] and name == _STORE:
                continue
            _brought_back(backup, name, entry, beside)
        progress("bringing back files", len(files), len(files))
        if root.is_dir():
            root.rmdir()
        beside.rename(root)
        os.sync()
    except OSError as error:
        raise LedgerError(f"restore: {home.root} cannot be written ({error.strerror}).") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    request = request_for(home)
    with at_work(home, request, now):
        published = compute_and_publish(home, request, now, progress)[3]
    size = sum(entry[0] for entry in files.values())
    return Kept(root, told["made_at"], len(files), size, published, bool(told["from_store"]))


def _contents(home: Home) -> Iterator[tuple[str, Path | bytes]]:
    """Every file of a home by its name below it, with where it lies or, from an object store, its bytes."""
    remote = home.store is not None
    if remote:
        for name, place in (("raw", home.raw.place), ("lake", home.lake.place)):
            for inner in sorted(place.sizes()):
                yield f"{name}/{inner}", place.read(inner)
    for path in sorted(home.root.rglob("*")):
        name = path.relative_to(home.root).as_posix()
        parts = name.split("/")
        if path.is_symlink() or not path.is_file():
            continue
        if remote and parts[0] in _PLACES:
            continue
        if parts[0] in _PASSING or name.endswith(PASSING) or "building" in parts[0]:
            continue
        if parts[0] == "private" and parts[1].startswith(_PASSING_BEGIN):
            continue
        yield name, path


def _copied(source: Path | bytes, target: Path) -> list[Any]:
    """Copy a file, its owner's alone; its size, SHA-256 and mode."""
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    hashed, size = hashlib.sha256(), 0
    mode = 0o400 if isinstance(source, bytes) else source.stat().st_mode & 0o777
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as written:
        for chunk in _chunks(source):
            hashed.update(chunk)
            size += len(chunk)
            written.write(chunk)
    return [size, hashed.hexdigest(), mode]


def _chunks(source: Path | bytes) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    with source.open("rb") as file:
        while chunk := file.read(_CHUNK):
            yield chunk


def _list_of(backup: Path) -> dict[str, Any]:
    if not backup.is_dir():
        raise CallError(f"restore: {backup}: there is no such folder; name the folder of a backup.")
    path = backup / LIST
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if told["drainledger_backup"] != FORMAT:
            raise InputError(
                f"{path}: is of format {told['drainledger_backup']}; this version reads {FORMAT}."
            )
        if not all(_is_inside(name) for name in told["files"]):
            raise InputError(f"{path}: names files outside the home; it is not a list that backup wrote.")
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); name the folder of a backup."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path}: is not the list of a backup; take another backup.") from error
    return told


def _is_inside(name: str) -> bool:
    return not name.startswith("/") and ".." not in name.split("/")


def _require_key(backup: Path, told: dict[str, Any]) -> None:
    """The secret first: without it every drain would silently bear another name."""
    path = backup / "private" / "secret"
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: the key of the pseudonyms is missing or unreadable; without it this backup would name "
            "every drain anew. Put the secret back, or take another backup."
        ) from error
    if _key_check(key) != told["key_check"]:
        raise InputError(f"{path}: is not the key this backup was made with; put the right one back.")


def _brought_back(backup: Path, name: str, entry: list[Any], beside: Path) -> None:
    size, digest, mode = entry
    source = backup / name
    if not source.is_file():
        raise InputError(f"restore: {source} is missing from the backup; take another backup.")
    found = _copied(source, beside / name)
    if found[:2] != [size, digest]:
        raise InputError(f"restore: {source} is not what was kept; take another backup.")
    (beside / name).chmod(mode)


def _key_check(key: bytes) -> str:
    return hmac.new(key, b"which key this backup was made with", hashlib.sha256).hexdigest()[:16]

"""`verify`: make an extract again from its manifest and say whether it is the same, byte for byte."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
from deltalake.exceptions import DeltaError

from flows.loading.door import erased_of
from flows.loading.load import run_rebuild
from flows.loading.request import Request, request_for
from flows.loading.vaults import vault_of
from flows.research.extract import note_of
from flows.research.extract_source import (
    as_read,
    current_source,
    files_in_force,
    require_published,
    source_at,
)
from pipeline.cohort import load_rules
from pipeline.definitions import load_definitions
from pipeline.extract import FileInForce, Manifest, Source, make_extract, read_manifest
from pipeline.extract.comparing import differences
from pipeline.extract.keys import ExtractKey
from pipeline.provenance import code_digest, code_version
from pipeline.store import Home
from pipeline.store.erasures import read_erasures
from pipeline.store.journal import Reading, read_readings, reading_of, write_reading
from schemas.errors import DrainledgerError, InputError

_ROOM = "verify-"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)  # goes into bookkeeping columns that no extract has


@dataclass(frozen=True)
class Verdict:
    """
    What came of a verification.

    `how`: what the extract was made again from. `differ`: where it is not the same, empty where it is.
    `beside`: what is not as it was and moved nothing, or explains what moved.
    """

    extract_id: str
    files: int
    how: str
    differ: tuple[str, ...]
    beside: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether every byte is what it was."""
        return not self.differ


def run_verify(home: Home, folder: Path, *, from_raw: bool = False) -> Verdict:
    """
    Make an extract again and compare it with its folder.

    Where the ledger still stands on the files, definitions and rules of the manifest, from the ledger as it
    is; else from the lake's versions that the extract was made from, while they can be read and give the
    same; else everything is made anew from the manifest's raw files in a home of its own, which is taken
    away afterwards. The ledger itself is not changed.

    Parameters
    ----------
    from_raw
        Take no shortcut.

    Raises
    ------
    InputError
        When the folder holds no extract, or it was made in another home.
    LedgerError
        When a raw file it was made from is gone or has changed.
    """
    manifest = read_manifest(folder)
    require_published(home)
    there = _folder(folder)
    key = ExtractKey(home.secret(), manifest.extract_id)
    if key.check() != manifest.key_check:
        raise InputError(
            f"verify: {folder} was made with another key than that of {home.root}; name the home "
            "that made it with --home."
        )
    readings = _readings(home, manifest, key)
    shortcuts: list[tuple[str, Callable[[], Source | None]]] = []
    if not from_raw:
        shortcuts = [
            (_STANDS, lambda: _as_it_stands(home, manifest, key)),
            (_WAS, lambda: _as_it_was(home, manifest)),
        ]
    long_way: dict[str, str] = {}
    for how, shortcut in shortcuts:
        try:
            with home.reading():
                found = shortcut()
                if found is None:
                    continue
                verdict = _verdict(home, manifest, there, how, found)
        except (DrainledgerError, DeltaError, pl.exceptions.PolarsError, OSError) as error:
            # A load is running, or a version is gone: the raw files are asked instead.
            long_way[_first_line(error)] = f"could not be made again from {how}: {_first_line(error)}"
            continue
        if verdict.same or how == _STANDS:
            return verdict
    with _home_anew(home, manifest, readings) as anew:
        definitions = manifest.definitions or load_definitions()
        request = _request(anew, manifest)
        run_rebuild(anew, request, _EPOCH)
        source = current_source(anew, definitions, manifest.rules)
        verdict = _verdict(home, manifest, there, f"{len(readings)} raw files, read anew", source)
        otherwise = _read_otherwise(source, manifest, key)
        return replace(verdict, beside=(*verdict.beside, *otherwise, *long_way.values()))


_STANDS = "the ledger as it stands"
_WAS = "the lake's versions it was made from"


def _first_line(error: Exception) -> str:
    said = str(error).strip().splitlines()
    return said[0].rstrip(".")[:200] if said else type(error).__name__


def _as_it_stands(home: Home, manifest: Manifest, key: ExtractKey) -> Source | None:
    """The ledger as it is, where it stands on what the manifest names."""
    sealed = tuple((f.sha256, f.kind, key.seal("reading", f.read_as)) for f in files_in_force(home))
    wanted = tuple((f.sha256, f.kind, f.read_as) for f in manifest.files)
    definitions = load_definitions()
    moved = definitions.digest != manifest.definitions_digest or load_rules() != manifest.rules
    return None if moved or sealed != wanted else current_source(home, definitions)


def _as_it_was(home: Home, manifest: Manifest) -> Source | None:
    """The lake at the versions noted when the extract was made, where this house made it."""
    note = note_of(home, manifest.extract_id)
    if note is None or manifest.definitions is None or manifest.rules is None:
        return None
    return source_at(home, note["lake_versions"], manifest.definitions, manifest.rules)


def _verdict(home: Home, manifest: Manifest, there: dict[str, bytes], how: str, source: Source) -> Verdict:
    made = make_extract(source, manifest.cohort, home.secret(), manifest.extract_id)
    differ = differences(there, made.files)
    beside = (*_withdrawn(home, manifest), *_moved(manifest))
    return Verdict(manifest.extract_id, len(there), how, tuple(differ), beside)


def _moved(manifest: Manifest) -> list[str]:
    """What of the code and the definitions is not what it was."""
    found = []
    if manifest.code_digest != code_digest():
        found.append(f"made by {manifest.code_version}, now it is {code_version()}")
    definitions = load_definitions()
    if definitions.digest != manifest.definitions_digest:
        if manifest.definitions is None:
            found.append("its definitions are no longer understood; today's were taken")
        else:
            one, other = manifest.definitions.model_dump(), definitions.model_dump()
            sections = ", ".join(name for name in other if one.get(name) != other[name])
            found.append(f"definitions have changed since in [{sections}]; the manifest's were taken")
    if manifest.rules is None:
        found.append("its removal rules are no longer understood; today's were taken")
    elif manifest.rules != load_rules():
        found.append("removal rules have changed since; the manifest's were taken")
    return found


def _folder(folder: Path) -> dict[str, bytes]:
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def _readings(home: Home, manifest: Manifest, key: ExtractKey) -> list[Reading]:
    """How the manifest's raw files were read then, each file seen to be there and unchanged."""
    known = {reading.digest: reading for reading in read_readings(home.readings)}
    gone = [file.sha256 for file in manifest.files if file.sha256 not in known]
    if gone:
        erased = erased_of(home)
        taken = [digest for digest in gone if erased.was(digest) in erased.marks]
        if taken:
            holding = {name for erasure in read_erasures(home.private) for name in erasure.extracts}
            held = manifest.extract_id in holding
            raise InputError(
                f"verify: {len(taken)} of the {len(manifest.files)} files it was made from, {taken[0][:12]}… "
                "the first, have since had data erased from them on purpose; it cannot be made again, and "
                f"{'may hold' if held else 'holds none of the'} data that were to go: "
                f"{'destroy it and ' if held else ''}make a new one."
            )
        raise InputError(
            f"verify: {len(gone)} of the {len(manifest.files)} files it was made from, {gone[0][:12]}… the "
            f"first, were never loaded into {home.root} or have been erased; name the home that made it."
        )
    for file in manifest.files:
        vault_of(home, file.sha256).read(file.sha256)
    return [_as_then(known[file.sha256], file, key) for file in manifest.files]


def _as_then(reading: Reading, file: FileInForce, key: ExtractKey) -> Reading:
    """The reading that the manifest's seal fits, of those the file ever had; in force, as it was then."""
    in_force = replace(reading, withdrawn_on=None, why=None)
    hows = [reading.how, *reversed(reading.earlier)]
    readings = [
        replace(in_force, name=name or "", profile=profile, profile_sha256=digest, site=site)
        for name, profile, digest, site in hows
    ]
    fitting = (r for r in readings if key.seal("reading", as_read(r).read_as) == file.read_as)
    return next(fitting, in_force)


def _withdrawn(home: Home, manifest: Manifest) -> list[str]:
    """Files of the manifest that were withdrawn since: what it says rests on them all the same."""
    found = []
    for file in manifest.files:
        reading = reading_of(home.readings, file.sha256)
        if reading is not None and reading.withdrawn_on is not None:
            found.append(
                f"it rests on {file.kind} file {file.sha256[:12]}…, which was withdrawn on "
                f"{reading.withdrawn_on}"
            )
    return found


def _read_otherwise(source: Source, manifest: Manifest, key: ExtractKey) -> list[str]:
    """Files of the manifest that are read otherwise than then, or no longer."""
    now = {file.sha256: key.seal("reading", file.read_as) for file in source.files}
    lost = [f.sha256[:12] for f in manifest.files if f.sha256 not in now]
    other = [f.sha256[:12] for f in manifest.files if now.get(f.sha256, f.read_as) != f.read_as]
    found = [f"raw file {name}… is rejected by this version of the code" for name in lost]
    return found + [f"raw file {name}… is recorded with another name, profile or site" for name in other]


def _request(anew: Home, manifest: Manifest) -> Request:
    shipped = request_for(anew)
    return Request(shipped.profiles, manifest.definitions or shipped.definitions, rules=manifest.rules)


class _home_anew:  # noqa: N801 - used as a context, like the functions beside it
    """A home of its own with the manifest's raw files, gone when the work is done."""

    def __init__(self, home: Home, manifest: Manifest, readings: Sequence[Reading]) -> None:
        self.home, self.readings = home, readings
        self.room = home.private / f"{_ROOM}{os.getpid()}"

    def __enter__(self) -> Home:
        _sweep(self.home)
        anew = Home(self.room)
        anew.create()
        secret = anew.private / "secret"
        secret.write_text(self.home.secret().hex(), encoding="ascii")
        secret.chmod(0o600)
        for reading in self.readings:
            old = vault_of(self.home, reading.digest)
            new = anew.raw if old == self.home.raw else anew.private_raw
            new.keep(old.read(reading.digest))
            if reading.profile_sha256 and self.home.raw.has(reading.profile_sha256):
                anew.raw.keep(self.home.raw.read(reading.profile_sha256))
            write_reading(anew.readings, reading)
        return anew

    def __exit__(self, *error: object) -> None:
        shutil.rmtree(self.room, ignore_errors=True)


def _sweep(home: Home) -> None:
    """Take away what a killed verification left behind."""
    for room in home.private.glob(f"{_ROOM}*"):
        try:
            os.kill(int(room.name.removeprefix(_ROOM)), 0)
        except (ProcessLookupError, ValueError):
            shutil.rmtree(room, ignore_errors=True)
        except PermissionError:
            continue

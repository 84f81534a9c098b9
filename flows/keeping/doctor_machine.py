"""What a ledger stands on: Python and libraries, permissions, the disk, the clock, time zones."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from importlib import metadata

import polars as pl
from packaging.requirements import Requirement

from flows.keeping.finding import Finding, advice, broken, fine
from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE
from pipeline.definitions import Definitions
from pipeline.provenance import code_version
from pipeline.store import Home
from pipeline.store.permissions import entered, loose
from pipeline.zones import zone_data
from schemas.lake import LOAD_FILE

PACKAGE = "drainledger"
_LEAST_INODES = 10_000


def versions() -> Iterator[Finding]:
    """Python and every library against the bounds that the package names."""
    try:
        about = metadata.metadata(PACKAGE)
        needed = [Requirement(text) for text in metadata.requires(PACKAGE) or []]
    except metadata.PackageNotFoundError:
        yield advice("versions", "is not installed, so its bounds are not known", PACKAGE, "run `make setup`")
        return
    wrong = 0
    python = ".".join(map(str, sys.version_info[:3]))
    if not Requirement(f"python{about['Requires-Python']}").specifier.contains(python):
        wrong += 1
        yield broken(
            "versions",
            f"Python {python} is older than {about['Requires-Python']}",
            sys.executable,
            "install with a newer Python",
        )
    for library in needed:
        if library.marker is not None and not library.marker.evaluate({"extra": ""}):
            continue
        try:
            there = metadata.version(library.name)
        except metadata.PackageNotFoundError:
            wrong += 1
            yield broken("versions", "is not installed", library.name, "run `make setup`")
            continue
        if not library.specifier.contains(there, prereleases=True):
            wrong += 1
            yield broken(
                "versions", f"{there} is outside {library.specifier}", library.name, "run `make setup`"
            )
    if not wrong:
        yield fine(
            "versions", f"{PACKAGE} {code_version()}, Python {python}, all libraries within their bounds"
        )


def permissions(home: Home) -> Iterator[Finding]:
    """Nothing of the home open to others, all of it ours and writable."""
    found = list(loose(home))
    for one in found[:5]:
        yield broken("permissions", one.what, str(one.path), one.cure)
    if len(found) > 5:
        yield broken("permissions", f"{len(found) - 5} more are open to others", str(home.root), "the same")
    if os.geteuid() != home.root.stat().st_uid:
        yield advice(
            "permissions",
            "the home belongs to another user",
            str(home.root),
            "run drainledger as the user it belongs to",
        )
    shut = [place for place in (home.root, home.private) if not os.access(place, os.W_OK | os.X_OK)]
    for place in shut:
        yield broken(
            "permissions", "cannot be written", str(place), "give its owner rwx, or mount it writable"
        )
    if not found and not shut:
        whose = "the home is its owner's alone and can be written"
        if entered(home):
            mode = stat.S_IMODE(home.root.stat().st_mode)
            whose = f"the home lets others through to what is open in it (mode {mode:04o}) and can be written"
        yield fine("permissions", whose)


def space(home: Home, definitions: Definitions) -> Iterator[Finding]:
    """Room for what a load writes beside what is there: a database, derived tables, a night's files."""
    tables = (*DEVICE_TABLES, *DRAIN_STAGE)
    derived = sum(
        size
        for table in tables
        if home.store is None and home.lake.has(table)
        for size in home.lake.place.child(table.name).sizes().values()
    )
    database = home.database.stat().st_size if home.database.exists() else 0
    wanted = database + derived + definitions.upkeep.free_least
    free = shutil.disk_usage(home.root).free
    if free < wanted:
        yield broken(
            "space",
            f"{_mib(free)} are free and the next load may want {_mib(wanted)}",
            str(home.root),
            "make room, or run `drainledger maintain`",
        )
    else:
        yield fine("space", f"{_mib(free)} are free; the next load wants {_mib(wanted)} at most")
    nodes = os.statvfs(home.root)
    if nodes.f_files and nodes.f_favail < _LEAST_INODES:
        yield broken(
            "space",
            f"the disk has room for {nodes.f_favail} more files only",
            str(home.root),
            "make room for files, or run `drainledger maintain`",
        )


def clock(home: Home, now: datetime, definitions: Definitions) -> Iterator[Finding]:
    """The machine's clock against the newest data."""
    if now.year < definitions.plausible.earliest_year:
        yield broken(
            "clock", f"the machine says it is {now:%Y-%m-%d}", "clock", "set the clock of the machine"
        )
        return
    slack = timedelta(hours=definitions.upkeep.clock_slack)
    seen = home.lake.scan(LOAD_FILE)
    files = seen.select(pl.col("loaded_at", "exported_at").max(), first=pl.col("exported_at").min()).collect()
    wrong = False
    first = files["first"].item() if files.height else None
    if first is not None and first > now + slack and not files["loaded_at"].item() > now + slack:
        # No machine whose clock is right ever held only files of years to come, but of invented data.
        newest = files["exported_at"].item()
        yield fine(
            "clock",
            f"{now:%Y-%m-%d %H:%M} UTC; every export is of later ({first:%Y-%m-%d} to {newest:%Y-%m-%d}): "
            "the data are invented, as the samples are, or else the clock of this machine is to be set",
        )
        return
    for column, said in (("loaded_at", "the last load"), ("exported_at", "the newest export")):
        newest = files[column].item() if files.height else None
        if newest is not None and newest > now + slack:
            wrong = True
            yield advice(
                "clock",
                f"{said} is of {newest:%Y-%m-%d %H:%M} and the machine says it is {now:%Y-%m-%d %H:%M} UTC",
                "clock",
                "set the clock of the machine, or of the device or server that wrote the export, unless the "
                "data are invented, as the samples are",
            )
    if not wrong:
        yield fine("clock", f"{now:%Y-%m-%d %H:%M} UTC; nothing loaded is dated later")


def zones(home: Home) -> Iterator[Finding]:
    """The time-zone data in use against those the files were read with."""
    read_with = home.lake.scan(LOAD_FILE).select(pl.col("zone_data").unique().drop_nulls()).collect()
    others = sorted(set(read_with["zone_data"]) - {zone_data()})
    if others:
        yield advice(
            "time zones",
            f"time-zone data are {zone_data()}, and files were read with {', '.join(others)}",
            "tzdata",
            "nothing, unless a site's zone has changed its rules since: then run `drainledger rebuild`",
        )
    else:
        yield fine("time zones", f"time-zone data {zone_data()}, the same for every file")


def _mib(size: int) -> str:
    return f"{size / 2**20:.0f} MiB"

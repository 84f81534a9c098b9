"""What a home holds: key, raw files, readings, lake, database, and what dead processes left."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping

import duckdb
import pyarrow.parquet as pq

from flows.keeping.finding import Finding, advice, broken, fine
from flows.keeping.upkeep import OPEN_TABLES, lakes, named_versions
from flows.loading.computing import DEVICE_TABLES
from flows.loading.derive import claims_now
from flows.loading.publishing import out_of_date
from flows.loading.stale import read_ward
from flows.loading.vaults import vault_of
from pipeline.definitions import Definitions
from pipeline.query.reader import reader
from pipeline.store import Home
from pipeline.store.damage import damage
from pipeline.store.engine_words import first_sentence
from pipeline.store.journal import read_journal, read_readings
from pipeline.store.lake import Lake
from pipeline.store.sweeping import leftovers
from schemas.derivation import MADE
from schemas.errors import LedgerError
from schemas.lake import FILE_NAME, LOAD_FILE, MINUTE
from schemas.table import Table

SAMPLE = 200  # raw files whose bytes are hashed, and parts whose footer is read, unless all are asked for
_VERSION = re.compile(r"_delta_log/(\d{20})\.json")
_CHECKPOINT = re.compile(r"_delta_log/(\d{20})\.checkpoint.*\.parquet")
_REBUILD = "run `drainledger rebuild`"


def key(home: Home) -> Iterator[Finding]:
    """The key of the pseudonyms is there and is the one they were made with."""
    if not (home.private / "secret").exists() and not home.key_check.exists() and not home.database.exists():
        yield fine("key", "none yet: the first load makes it")
        return
    if not (home.private / "secret").exists():
        yield broken(
            "key",
            "the key of the pseudonyms is gone",
            str(home.private / "secret"),
            "restore it from a backup; never make a new one, every drain would change its name",
        )
        return
    home.secret()  # raises where it is no key or another
    noted = home.key_check.exists()
    said = (
        "is the one the pseudonyms were made with"
        if noted
        else "holds a key; the next load notes its fingerprint"
    )
    yield fine("key", f"the secret {said}")


def raw(home: Home, *, every: bool) -> Iterator[Finding]:
    """Raw files against what is on record, both ways, and their bytes against their names."""
    files = home.lake.scan(LOAD_FILE).select("file_sha256", "profile_sha256").collect()
    known = set(files["file_sha256"])
    profiles = set(files["profile_sha256"].drop_nulls())
    vaults = {digest: vault for vault in (home.private_raw, home.raw) for digest in vault.digests()}
    read = {reading.digest for reading in read_readings(home.readings)}
    gone = sorted(known - set(vaults))
    for digest in gone[:5]:
        place = vault_of(home, digest).address(digest)
        yield broken(
            "raw files", "is on record and its bytes are gone", digest, f"restore it from a backup to {place}"
        )
    for digest in sorted(profiles - set(vaults))[:5]:
        yield advice(
            "raw files",
            "the text of a profile that files were read with is gone",
            digest,
            "restore it from a backup; without it a rebuild reads them with a profile of today",
        )
    lost = known & set(vaults) - read
    for digest in sorted(lost)[:5]:
        yield broken(
            "raw files", "how it was read is not on record", digest, "restore private/readings from a backup"
        )
    pending = {reading.digest for reading in read_journal(home.journal)}
    profiles |= {r.profile_sha256 for r in read_readings(home.readings) if r.profile_sha256}
    for digest in sorted(set(vaults) - known - profiles - pending)[:5]:
        yield advice("raw files", "is kept and not on record", digest, "load that file again, or rebuild")
    looked = sorted(set(vaults))
    looked = looked if every else looked[:: max(len(looked) // SAMPLE, 1)]
    wrong = 0
    for digest in looked:
        try:
            vaults[digest].read(digest)
        except LedgerError as error:
            wrong += 1
            if wrong <= 5:
                said, _, do = str(error).rstrip(".").partition("; ")
                yield broken("raw files", said, digest, do)
    if not wrong and not gone:
        said = "all" if len(looked) == len(vaults) else f"{len(looked)} looked at (--all looks at every one)"
        yield fine("raw files", f"{len(vaults)} kept, {said} unchanged")


def lake(home: Home, definitions: Definitions, *, every: bool) -> Iterator[Finding]:
    """Each table is there and opens, its log has no hole, its parts can be read; what waits for upkeep."""
    whole = True
    tables = parts = small = 0
    if lost := _lost(home):
        whole = False
        many = f"tables {', '.join(lost)}: they are gone" if len(lost) > 1 else f"table {lost[0]}: it is gone"
        yield broken("lake", f"{many} with all rows, and what rests on them cannot be made", "", _REBUILD)
    for _, some, known in lakes(home):
        for fault in damage(some):
            whole = False
            in_part = "" if fault.name.endswith("_delta_log") else "a part of it "
            yield _wrong(fault.table, f"{in_part}{fault.what}", fault.name)
        there = some.place.sizes()
        for table in known:
            if not whole or not some.has(table):
                continue
            tables += 1
            for gap in _holes(there, table):
                whole = False
                yield _wrong(table.name, f"version {gap} is missing in its log", f"{table.name}/_delta_log")
            for name in _unreadable(some, table, every=every):
                whole = False
                yield _wrong(table.name, "a part of it is spoilt: its footer cannot be read", name)
            files = some.files(table)
            parts += len(files)
            small += sum(
                count >= definitions.upkeep.small_files
                for count in Counter(name.rpartition("/")[0] for name in files).values()
            )
    if small:
        yield advice(
            "lake", f"{small} partitions have many small files", "lake", "run `drainledger maintain`"
        )
    if whole:
        yield fine("lake", f"{tables} tables open, {parts} parts are there")


def _wrong(table: str, what: str, where: str) -> Finding:
    return broken("lake", f"table {table}: {what}, and what rests on it cannot be made", where, _REBUILD)


def _lost(home: Home) -> list[str]:
    """
    Tables that were there and of which nothing is left.

    A table nobody wrote yet is none; so only what the published database was made from can be missed, what
    every file taken in has a row of, and what every device computed has.
    """
    try:
        named = set(named_versions(home)["lake"])
    except LedgerError:  # the look at the database says so
        named = set()
    lost = [table.name for table in OPEN_TABLES if table.name in named and not home.lake.has(table)]
    # A first load that was broken off has records of files whose rows it had not written yet: it goes on.
    begun = {reading.digest for reading in read_journal(home.journal)}
    if any(reading.digest not in begun for reading in read_readings(home.readings)):
        if not home.lake.has(LOAD_FILE):
            lost.append(LOAD_FILE.name)
        if not home.private_lake.has(FILE_NAME):
            lost.append(FILE_NAME.name)
    if any(home.lake.has(table) for table in DEVICE_TABLES):
        lost += [table.name for table in (MINUTE, MADE) if not home.lake.has(table)]
    return sorted(set(lost))


def orphans(home: Home) -> Iterator[Finding]:
    """Files of the lake that the tables as they stand do not name."""
    count = size = 0
    for _, some, known in lakes(home):
        there = some.place.sizes()
        for table in known:
            if some.has(table):
                root = some.place.child(table.name).address
                now = {f"{table.name}{name.removeprefix(root)}" for name in some.files(table)}
                mine = {n for n in there if n.startswith(f"{table.name}/") and "/_delta_log/" not in n}
                count += len(mine - now)
                size += sum(there[name] for name in mine - now)
    named = sum(len(versions) for tables in named_versions(home).values() for versions in tables.values())
    if count:
        yield fine(
            "earlier parts",
            f"{count} files, {size / 2**20:.0f} MiB, of earlier versions ({named} versions are named by the "
            "database or an extract); `drainledger maintain` takes away what nobody needs",
        )


def database(home: Home, definitions: Definitions, *, whole: bool) -> Iterator[Finding]:
    """
    The published database opens, its view `minute` finds the lake, and it is what the lake would give.

    Parameters
    ----------
    whole
        Whether the lake is; of one that is not nobody can tell what it would give.
    """
    if not home.database.exists():
        yield advice("database", "nothing is published yet", home.database.name, "load files")
        return
    try:
        with reader(home.database) as connection:
            built = connection.execute("SELECT built_at FROM provenance").fetchall()
    except (duckdb.Error, LedgerError) as error:
        yield broken("database", first_sentence(error), str(home.database), _REBUILD)
        return
    try:
        if home.store is None:
            with reader(home.database) as connection:
                connection.execute("SELECT * FROM minute LIMIT 1").fetchall()
    except duckdb.Error as error:
        yield broken(
            "database", f"its view minute fails: {first_sentence(error)}", str(home.database), _REBUILD
        )
        return
    if not whole:
        yield fine(
            "database", "opens; whether it is what the lake would give cannot be told while that is broken"
        )
        return
    if out_of_date(home, claims_now(home, read_ward(home)), definitions) is not None:
        yield advice(
            "database",
            "is not what files, definitions and code in force would give",
            str(home.database),
            "load again (no file is needed beyond one that is known), or run `drainledger rebuild`",
        )
        return
    yield fine("database", f"opens, and is what the lake gives; built {built[0][0]:%Y-%m-%d %H:%M} UTC")


def left_behind(home: Home) -> Iterator[Finding]:
    """What a load that was broken off left, and lakes that were put aside."""
    if home.load_in_progress():
        yield fine("leftovers", "a load is running; what it is writing is not looked at")
        return
    pending = len(read_journal(home.journal))
    if pending:
        yield advice(
            "leftovers",
            f"a load was broken off at {pending} files",
            str(home.journal),
            "load again: it goes on",
        )
    found = list(leftovers(home.root))
    if found:
        size = sum(leftover.size for leftover in found) / 2**20
        yield advice(
            "leftovers",
            f"{len(found)} files or folders, {size:.1f} MiB, of processes that died",
            str(found[0].path),
            "load again or run `drainledger maintain`: both sweep",
        )
    aside = [*home.root.glob("*.broken-*"), *home.private.glob("*.broken-*")]
    for place in sorted(aside):
        yield advice(
            "leftovers",
            "a lake that could not be read was put aside",
            str(place),
            "remove it once nobody needs it",
        )
    if not found and not pending and not aside:
        yield fine("leftovers", "nothing was left behind")


def _holes(there: Mapping[str, int], table: Table) -> list[int]:
    names = [
        name.removeprefix(f"{table.name}/") for name in there if name.startswith(f"{table.name}/_delta_log/")
    ]
    versions = sorted(int(m[1]) for name in names if (m := _VERSION.fullmatch(name)))
    checkpoints = [int(m[1]) for name in names if (m := _CHECKPOINT.fullmatch(name))]
    if not versions:
        return []
    first = min([*versions[:1], *(c + 1 for c in checkpoints)]) if checkpoints else 0
    return sorted(set(range(first, versions[-1])) - set(versions))


def _unreadable(lake: Lake, table: Table, *, every: bool) -> Iterator[str]:
    place = lake.place
    files = lake.files(table)
    root = place.address
    for name in files if every else files[:: max(len(files) // SAMPLE, 1)]:
        try:
            pq.read_metadata(name.removeprefix("s3://"), filesystem=place.filesystem)
        except Exception:  # whatever Arrow says of it: a part that cannot be read
            yield name.removeprefix(root).lstrip("/")

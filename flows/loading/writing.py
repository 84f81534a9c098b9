"""Files read and written into the lake as loaded, each replacing what the same file gave before."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any

import polars as pl

from flows.loading.door import Passed, erased_of, pass_door
from flows.loading.outcome import HELD_BACK, Outcome
from flows.loading.reading import Read, read_file, read_files
from flows.loading.request import Request
from flows.loading.vaults import keep, vault_of
from pipeline.store import Home, moments
from pipeline.store.journal import (
    Reading,
    clear_journal,
    forget_reading,
    reading_of,
    write_journal,
    write_readings,
)
from pipeline.store.moments import Moment
from pipeline.store.vault import Vault, digest_of
from schemas.lake import FILE_NAME, LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.table import Table
from schemas.vocabulary import FileStatus

AGAIN_FILES = 200  # files read from the vault again at once
AS_LOADED = (MINUTE, TRACE, REJECTED_ROW)
AS_LOADED_PRIVATE = (REJECTED_VALUE, REGISTRY_DRAIN, ANNOTATION)

_KNOWN = ("file_sha256", "status", "reason", "profile_sha256", "loaded_at")

Files = dict[str, dict[str, Any]]


def read_again(
    home: Home,
    readings: Sequence[Reading],
    request: Request,
    now: datetime,
    progress: Callable[[int], None] = lambda done: None,
) -> list[Outcome]:
    """
    Read files from the vault again, each with the profile and site it was read with.

    Files still to come stay in the journal, so that whoever finds it can go on.
    """
    outcomes: list[Outcome] = []
    for start in range(0, len(readings), AGAIN_FILES):
        progress(start)
        batch, rest = readings[start : start + AGAIN_FILES], readings[start + AGAIN_FILES :]
        outcomes += write_files(home, batch, known_files(home), request, now, again=True, rest=rest)
    return outcomes


def write_files(
    home: Home,
    readings: Sequence[Reading],
    known: Files,
    request: Request,
    now: datetime,
    *,
    again: bool = False,
    rest: Sequence[Reading] = (),
    at_hand: Mapping[str, bytes] = MappingProxyType({}),
) -> list[Outcome]:
    """
    Read files whose bytes lie in the vault and write what they give; their `load_file` rows come last.

    Every file passes the door: what was erased before is taken out of its bytes, which are then kept in
    place of those that were given. The journal names the files from before the first write to after the
    last, so that a killed load is finished by reading them again.

    Parameters
    ----------
    known
        What is known of the ledger's files.
    again
        Whether rows of these files may be in the lake already.
    rest
        Files still to come; they stay in the journal.
    at_hand
        Bytes by digest that were put into the vault just now; those of others are read from there.
    """
    if not readings:
        return []
    write_journal(home.journal, [*readings, *rest])
    moments.passed(Moment.BEGUN)
    asked = [reading for reading in readings if not reading.gone]
    reads, passed = _through_door(home, read_files(home, asked, request, at_hand), known, request, now)
    gone = [reading for reading in [*readings, *passed] if reading.gone]
    if passed:
        write_journal(home.journal, [*gone, *(read.reading for read in reads), *rest])
        moments.passed(Moment.BEGUN)
    out = {reading.digest for reading in gone} | {r.reading.replaces for r in reads if r.reading.replaces}
    digests = [read.reading.digest for read in reads]
    # The contract is asked once a batch: asked file by file it cost two fifths of taking logs in.
    minutes = MINUTE.validate(_stack(reads, MINUTE))
    if again or passed or any(digest in known for digest in digests):
        _take_out(home, {*digests, *out}, names=out | {r.digest for r in passed})
    _move_recognised(home, reads)
    for table in AS_LOADED:
        home.lake.append(table, minutes if table is MINUTE else _stack(reads, table))
        moments.passed(Moment.ROWS_ADDED)
    for table in AS_LOADED_PRIVATE:
        home.private_lake.append(table, _stack(reads, table))
        moments.passed(Moment.ROWS_ADDED)
    note_names(home, [(read.reading.name, read.reading.digest) for read in reads])
    profiles = {read.profile_text.encode() for read in reads if read.profile_text is not None}
    home.raw.keep_all({digest_of(text): text for text in profiles})
    write_readings(home.readings, [_as_read(home, read) for read in reads])
    rows = [
        read.file | {"loaded_at": _taken_in(read.reading, known, now) if again else now} for read in reads
    ]
    if again or known or out:
        home.lake.remove(LOAD_FILE, "file_sha256", {*digests, *out})
        moments.passed(Moment.TAKEN_OUT)
    home.lake.append(LOAD_FILE, LOAD_FILE.validate(pl.DataFrame(rows, schema=LOAD_FILE.dtypes)))
    moments.passed(Moment.FILES_NOTED)
    for digest in sorted(out):
        home.raw.forget(digest)
        home.private_raw.forget(digest)
        forget_reading(home.readings, digest)
    if rest:
        write_journal(home.journal, rest)
    else:
        clear_journal(home.journal)
    moments.passed(Moment.ENDED)
    return _outcomes(asked, reads, passed, known)


def known_files(home: Home) -> Files:
    """What the lake knows of each file, by digest."""
    rows = home.lake.scan(LOAD_FILE).select(_KNOWN).collect()
    return {row["file_sha256"]: row for row in rows.iter_rows(named=True)}


def withdrawn_files(home: Home) -> pl.DataFrame:
    """Digests of the files that do not count and are not read again."""
    out = pl.col("status") == FileStatus.WITHDRAWN.value
    return home.lake.scan(LOAD_FILE).filter(out).select("file_sha256").collect()


def note_names(home: Home, given: Sequence[tuple[str, str]]) -> None:
    """Keep every name that bytes were given under; one that is known already adds nothing."""
    if not given and home.private_lake.has(FILE_NAME):
        return
    names = pl.DataFrame(
        [(digest, name) for name, digest in given], schema=FILE_NAME.dtypes, orient="row"
    ).unique(maintain_order=True)
    some = pl.col("file_sha256").is_in(names["file_sha256"].implode())
    known = home.private_lake.scan(FILE_NAME).filter(some).collect()
    home.private_lake.append(FILE_NAME, names.join(known, on=FILE_NAME.names, how="anti"))


def _taken_in(reading: Reading, known: Files, now: datetime) -> datetime:
    """When the ledger first took a file in, or the one of which it is what is left."""
    was = known.get(reading.digest) or known.get(reading.replaces or "")
    return now if was is None else was["loaded_at"]


def _through_door(
    home: Home, reads: Sequence[Read], known: Files, request: Request, now: datetime
) -> tuple[list[Read], list[Reading]]:
    """What may be written, and how those files are read that lost something: `gone` where nothing is left."""
    erased = erased_of(home)
    if not erased.marks:
        return list(reads), []
    today = now.astimezone(UTC).date().isoformat()
    written: list[Read] = []
    passed: list[Reading] = []
    shortened: list[tuple[Read, Passed, Vault]] = []
    for read in reads:
        vault = vault_of(home, read.reading.digest)
        through = pass_door(read, vault.read(read.reading.digest), request, erased, today)
        if through is None:
            written.append(read)
        elif through.data is None:
            passed.append(replace(read.reading, gone=True, rows_erased=through.rows))
        elif through.reading.replaces is None:
            passed.append(through.reading)
            written.append(read_file(home, through.reading, through.data, request))
        else:
            shortened.append((read, through, vault))
    # What is left of two files can be the same bytes, or those of a third: they are written once.
    standing = {read.reading.digest for read in written}
    for read, through, vault in shortened:
        left = through.reading
        if left.digest in standing or _is_known(home, left.digest, known):
            passed.append(replace(read.reading, gone=True, rows_erased=through.rows, replaces=left.digest))
            continue
        assert through.data is not None
        vault.keep(through.data)
        standing.add(left.digest)
        passed.append(left)
        written.append(read_file(home, left, through.data, request))
    return written, passed


def _is_known(home: Home, digest: str, known: Files) -> bool:
    return digest in known and reading_of(home.readings, digest) is not None


def _take_out(home: Home, digests: set[str], names: set[str]) -> None:
    for table in AS_LOADED:
        home.lake.remove(table, "file_sha256", digests)
        moments.passed(Moment.TAKEN_OUT)
    for table in AS_LOADED_PRIVATE:
        home.private_lake.remove(table, "file_sha256", digests)
        moments.passed(Moment.TAKEN_OUT)
    home.private_lake.remove(FILE_NAME, "file_sha256", names)


def _as_read(home: Home, read: Read) -> Reading:
    """The reading as it came out, with how the file was read before."""
    now = replace(read.reading, profile_sha256=read.file["profile_sha256"], replaces=None)
    before = reading_of(home.readings, now.digest)
    if before is None or before.profile_sha256 is None or before.name != now.name:
        return now  # another name: it lost an erased key, which must not stay among the earlier ones
    earlier, how = before.earlier, before.how
    if how != now.how and (not earlier or earlier[-1] != how):
        earlier = (*earlier, how)
    return replace(now, earlier=earlier)


def _move_recognised(home: Home, reads: Sequence[Read]) -> None:
    """A log that nobody recognised lay in the private store; one that is recognised now does not."""
    for read in reads:
        digest = read.reading.digest
        if read.profile_text is not None and not home.raw.has(digest):
            keep(home, home.private_raw.read(digest), digest, private=False)


def _stack(reads: Sequence[Read], table: Table) -> pl.DataFrame:
    return pl.concat(
        [table.empty(), *(read.frames[table.name] for read in reads if table.name in read.frames)]
    )


def _outcomes(
    asked: Sequence[Reading], reads: Sequence[Read], passed: Sequence[Reading], known: Files
) -> list[Outcome]:
    """One for each file asked for, in that order."""
    files = {read.reading.digest: read for read in reads}
    kept_as = {p.replaces: p for p in passed if not p.gone and p.replaces}
    gone = {p.digest: p for p in passed if p.gone}
    found = []
    for reading in asked:
        left = kept_as.get(reading.digest)
        if reading.digest in gone:
            away = gone[reading.digest]
            same = files[away.replaces].file if away.replaces in files else known.get(away.replaces or "")
            status = HELD_BACK if same is None else same["status"]
            name = f"file {reading.digest[:12]}…"
            found.append(
                Outcome(
                    reading.name if status != HELD_BACK else name,
                    away.replaces or reading.digest,
                    status,
                    known=True,
                    held_back=away.rows_erased,
                    given=reading.digest,
                )
            )
        elif left is not None:
            rows = left.rows_erased - reading.rows_erased
            file = files[left.digest].file
            found.append(Outcome.of(left.name, file, held_back=rows, given=reading.digest))
        else:
            read = files[reading.digest]
            found.append(Outcome.of(reading.name, read.file, doubts=read.doubts))
    return found

"""
A load, whole: take files in, compute what they touch, publish.

The stages are plain functions; `Stages` lets Prefect wrap each as a task (`flows.orchestration.prefect_load`)
without a second copy of the order they run in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
from deltalake.exceptions import DeltaError, TableNotFoundError

from flows.keeping.erasing import conclude, take_up
from flows.loading.batch_sizes import batch_bytes, batch_minutes
from flows.loading.computing import Ahead, at_once, device_batches, drain_batches
from flows.loading.derive import claims_now, compute_devices, compute_drains, doubt_made, drop_gone
from flows.loading.findings import Findings, findings_of
from flows.loading.intake import ensure_raw, finish_interrupted, take_in
from flows.loading.outcome import Outcome
from flows.loading.publishing import out_of_date, publish_ledger
from flows.loading.request import Request
from flows.loading.reread import read_due, read_named
from flows.loading.stale import read_ward, stale_devices, stale_drains
from flows.loading.survey import Found, file_batches, survey
from flows.loading.writing import read_again
from pipeline.cohort import load_rules
from pipeline.store import Home, moments
from pipeline.store.erasures import read_erasures
from pipeline.store.journal import Reading, read_journal, read_readings, write_journal
from pipeline.store.moments import Moment
from schemas.derivation import MADE
from schemas.errors import DiskError, LakeError, LedgerError, StoreError
from schemas.vocabulary import FileStatus

# What a damaged table raises, from whichever library meets it first.
_LAKE_FAULTS = (DeltaError, TableNotFoundError, pl.exceptions.PolarsError, LakeError, FileNotFoundError)

# Called with what is being done, how much of it is done, and how much there is.
Progress = Callable[[str, int, int], None]


def silent(what: str, done: int, total: int) -> None:
    """Show no progress."""


@dataclass(frozen=True)
class Stages:
    """
    The steps of a load that do the work; each may be wrapped for retries and records.

    `ahead` says who computes the batches, and how far ahead of the one that is put in place.
    """

    take_in: Callable[..., list[Outcome]] = take_in
    ahead: Ahead[Any] = at_once
    compute_devices: Callable[..., int] = compute_devices
    compute_drains: Callable[..., int] = compute_drains
    publish: Callable[..., None] = publish_ledger


PLAIN = Stages()


NOTHING_FOUND = Found(())


@dataclass(frozen=True)
class Summary:
    """What a load did."""

    outcomes: tuple[Outcome, ...] = ()
    finished: tuple[Outcome, ...] = ()  # files a killed load had left half-written
    devices: int = 0
    minutes: int = 0
    drains: int = 0
    published: bool = False
    findings: Findings = ()  # of the database as it stands now, and how many of each
    found: Found = NOTHING_FOUND
    again: tuple[Outcome, ...] = ()  # files of the ledger that were due to be read again
    set_aside: tuple[str, ...] = ()  # profiles that cannot be used, a sentence each

    @property
    def new(self) -> tuple[Outcome, ...]:
        """Files the ledger had not seen, or had rejected before."""
        return tuple(o for o in self.outcomes if not o.known)

    @property
    def clean(self) -> bool:
        """Whether nothing given was rejected, now or before."""
        if self.found.closed or self.set_aside:
            return False
        return all(o.clean for o in self.new) and all(o.status != FileStatus.REJECTED for o in self.outcomes)


@contextmanager
def at_work(home: Home, request: Request, now: datetime) -> Iterator[list[Outcome]]:
    """
    Hold the ledger for one change: what a killed one left is finished first, an erasure among that.

    Gives the files that were finished. An erasure is noted as done only once the body has published.
    """
    with home.locked():
        home.note_key()
        finished = finish_interrupted(home, request, now)
        erasures = take_up(home, request, now)
        yield finished
        conclude(home, erasures)


def run_load(
    home: Home,
    paths: Sequence[Path],
    request: Request,
    now: datetime,
    *,
    progress: Progress = silent,
    stages: Stages = PLAIN,
    found: Found | None = None,
) -> Summary:
    """
    Take the files in, compute what they touch and publish; again with the same files changes nothing.

    A load that was killed before is finished first. Files that wait for a profile, or whose profile was
    mended since, are read again. Everything a reader sees changes at once, at the end.

    Parameters
    ----------
    paths
        Files and folders.
    now
        Goes into the bookkeeping columns only.
    found
        What lies behind the paths, where somebody has looked already; a file that went away since is
        reported.

    Raises
    ------
    CallError
        When a path is not there.
    LedgerError
        When another load is running here or the home cannot be written.
    """
    found = survey(paths, home.root) if found is None else found
    files = found.files
    with at_work(home, request, now) as finished:
        again = read_due(home, request, now)
        outcomes: list[Outcome] = []
        for batch in file_batches(files, batch_bytes()):
            progress("reading files", len(outcomes), len(files))
            outcomes += stages.take_in(home, batch, request, now)
        progress("reading files", len(files), len(files))
        done = compute_and_publish(home, request, now, progress, stages)
        return Summary(tuple(outcomes), tuple(finished), *done, found, tuple(again), request.set_aside)


def run_reread(
    home: Home, which: Sequence[str], request: Request, now: datetime, *, progress: Progress = silent
) -> Summary:
    """
    Read files of the ledger again and publish: what is due by itself, or what is named, with its profile.

    Raises
    ------
    CallError
        When a name means no file or several, or a file that is withdrawn.
    """
    with at_work(home, request, now) as finished:
        again = read_due(home, request, now)
        if which or request.profile is not None:
            again += read_named(home, which, request, now)
        done = compute_and_publish(home, request, now, progress)
        return Summary((), tuple(finished), *done, again=tuple(again), set_aside=request.set_aside)


def run_rebuild(
    home: Home,
    request: Request,
    now: datetime,
    *,
    progress: Progress = silent,
    stages: Stages = PLAIN,
) -> Summary:
    """
    Make everything derived again from the raw files, each read with the profile and site it was read with.

    Readers keep the database as it was until the new one is swapped in; a rebuild that is killed is
    finished by the next load.

    Raises
    ------
    LedgerError
        When there is no ledger here, or a raw file is missing or changed.
    """
    if not home.exists():
        raise LedgerError(f"home {home.root}: there is no ledger here; load files first.")
    with home.locked():
        home.note_key()
        readings = _all_readings(home)
        ensure_raw(home, [reading for reading in readings if not reading.gone])
        write_journal(home.journal, readings)  # if killed, the next load reads all of them again
        try:
            done = _rebuild(home, readings, request, now, progress, stages)
        except _LAKE_FAULTS as error:
            if isinstance(home.explained(error) or error, StoreError | DiskError):
                raise  # nothing is broken there: the store does not answer, or the disk is full
            # Whatever is broken in the lake, raw files can make it again.
            _set_aside(home)
            write_journal(home.journal, readings)
            done = _rebuild(home, readings, request, now, progress, stages)
        conclude(home, [erasure for erasure in read_erasures(home.private) if not erasure.done])
        return done


def _all_readings(home: Home) -> list[Reading]:
    """Every file of the ledger; of those that a killed load was replacing or taking out, what it was at."""
    under_way = [r for r in read_journal(home.journal) if r.gone or r.replaces is not None]
    leaving = {r.replaces for r in under_way if not r.gone} | {r.digest for r in under_way}
    settled = [r for r in read_readings(home.readings) if r.digest not in leaving]
    return [*settled, *under_way]


def _rebuild(
    home: Home,
    readings: Sequence[Reading],
    request: Request,
    now: datetime,
    progress: Progress,
    stages: Stages,
) -> Summary:
    made = home.lake.scan(MADE).filter(
        pl.col("stage") != "use"
    )  # a device's note takes those of its uses along
    for stage, owners in made.group_by("stage").agg("subject").collect().sort("stage").rows():
        doubt_made(home, stage, sorted(owners))
    total = len(readings)
    outcomes = read_again(
        home, readings, request, now, lambda done: progress("reading raw files", done, total)
    )
    progress("reading raw files", total, total)
    done = compute_and_publish(home, request, now, progress, stages)
    return Summary(tuple(outcomes), (), *done)


def compute_and_publish(
    home: Home, request: Request, now: datetime, progress: Progress = silent, stages: Stages = PLAIN
) -> tuple[int, int, int, bool, Findings]:
    """
    Compute what is out of date and publish, where anything is; the caller holds the home's lock.

    Returns
    -------
    Devices and minutes computed, drains summarised, whether a database was published, and its
    findings with how many of each: the fields of `Summary` from `devices` on.
    """
    definitions = request.definitions
    ward = read_ward(home)
    stale = stale_devices(home, ward, definitions)
    drop_gone(home, stale)
    minutes = done = 0
    for devices, computed in stages.ahead(
        device_batches(home.lake.anywhere, stale.batches(batch_minutes()), ward, definitions, stale.uses)
    ):
        progress("computing devices", done, len(stale.todo))
        minutes += stages.compute_devices(home, devices, stale, computed)
        done += len(devices.owners)
    progress("computing devices", done, len(stale.todo))
    claims = claims_now(home, ward)
    drains = stale_drains(home, claims, ward, definitions, request.rules)
    drop_gone(home, drains)
    drained = 0
    rules = load_rules() if request.rules is None else request.rules
    for some, computed in stages.ahead(
        drain_batches(home.lake.anywhere, drains.batches(batch_minutes()), claims, ward, definitions, rules)
    ):
        progress("summarising drains", drained, len(drains.todo))
        drained += stages.compute_drains(home, some, drains, computed)
    progress("summarising drains", drained, len(drains.todo))
    parts = out_of_date(home, claims, definitions)
    if parts is not None:
        progress("publishing", 0, 1)
        stages.publish(home, claims, drains, parts, definitions, now)
        progress("publishing", 1, 1)
    return done, minutes, drained, parts is not None, findings_of(home)


def _set_aside(home: Home) -> None:
    """A lake that cannot be read is put beside, never deleted."""
    for lake in (home.lake, home.private_lake):
        lake.set_aside()
        moments.passed(Moment.SET_ASIDE)

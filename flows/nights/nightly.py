"""
One night: look into the landing folder, load what is whole, write the report, clear up, say how it went.

The steps are plain functions; `Steps` lets Prefect wrap each as a task
(`flows.orchestration.prefect_nightly`) without a second copy of the order they run in.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from flows.loading.load import PLAIN, Stages, Summary, run_load
from flows.loading.outcome import HELD_BACK
from flows.loading.request import Request, request_for
from flows.loading.survey import Found
from flows.nights.clearing import Cleared, clear
from flows.nights.landing import Look, errno_word, look_into
from flows.nights.night import Night
from flows.nights.night_settings import NightSettings
from flows.nights.runs import Recorder, recorded
from pipeline.provenance import code_digest, digest_of_texts
from pipeline.store import Home
from pipeline.store.seen import Fate, Sight, digest_at, note_sights, read_sights
from schemas.errors import CallError
from schemas.lake import REJECTED_ROW
from schemas.vocabulary import FileStatus, RejectScope

REPORT_DRAINS = 12  # that a night's report has a page for, those worth looking at


def write_report(home: Home, folder: Path) -> None:
    """Write the cohort's page, and those of drains worth looking at."""
    from flows.looking.report import run_report

    run_report(home, folder, most=REPORT_DRAINS)


@dataclass(frozen=True)
class Steps:
    """The steps of a night that touch a drive; each may be wrapped for retries and records."""

    look: Callable[..., Look] = look_into
    load: Stages = PLAIN
    report: Callable[..., None] = write_report
    clear: Callable[..., Cleared] = clear


def landing_of(settings: NightSettings, home: Home) -> Path:
    """
    The landing folder of a home's nights.

    Raises
    ------
    CallError
        When none is named, or one that is the ledger's own.
    """
    if settings.landing is None:
        raise CallError(
            'nightly: no landing folder is named; give --landing DIR, or write landing = "DIR" into '
            f"{home.root / 'nightly.toml'}."
        )
    landing, own = settings.landing.resolve(), home.root.resolve()
    if landing == own or own in landing.parents:
        raise CallError(
            f"nightly: landing folder {settings.landing} lies in the ledger's own home; name another."
        )
    return settings.landing


def run_night(
    home: Home,
    settings: NightSettings,
    now: datetime,
    *,
    steps: Steps | None = None,
    wait: Callable[[float], None] = time.sleep,
) -> Night:
    """
    Run one night and put it on record.

    Files that lie in the landing folder as they did the night before are not read again; those still being
    written are left for the next run. Nothing is moved or deleted there unless the settings say so, and then
    only files the ledger holds, after the load is over. A load that was killed before is finished first.

    Parameters
    ----------
    now
        The moment of the call; goes into bookkeeping, and decides how long a file has lain still.

    Raises
    ------
    CallError
        When no landing folder is named.
    InputError
        When the landing folder, a profile or the definitions cannot be used.
    LedgerError
        When another load is running on this home.
    """
    landing = landing_of(settings, home)
    if not home.exists():
        home.create()  # so that a first night that is killed is on record
    with recorded(home, "nightly") as recorder:
        with home.locked():
            pass  # made, and free just now: otherwise the night ends here and says so
        night = _night(home, landing, settings, now, _timed(steps or Steps(), recorder), recorder, wait)
        _tell(recorder, night)
        recorder.record.counts = night.counts
        recorder.ended(night.exit, night.line())
        return night


def _night(
    home: Home,
    landing: Path,
    settings: NightSettings,
    now: datetime,
    steps: Steps,
    recorder: Recorder,
    wait: Callable[[float], None],
) -> Night:
    request = request_for(home, settings.profile, settings.site)
    profiles = profiles_digest(request)
    look = steps.look(
        landing,
        read_sights(home.private),
        now,
        settings.patience,
        profiles=profiles,
        not_below=tuple(folder for folder in (home.root, settings.done, settings.report) if folder),
        wait=wait,
    )
    ready, unread = _digests(look.ready)
    found = Found(tuple(sight.path for sight in ready))
    summary = run_load(home, [], request, now, stages=steps.load, found=found)
    became = {o.given or o.digest: o.status for o in summary.outcomes if o.digest}
    taken = tuple(_taken(sight, became, profiles) for sight in ready)
    look = replace(look, left=(*look.left, *unread, *(s for s in taken if s.fate == Fate.LEFT)))
    note_sights(home.private, (*taken, *look.left), look.gone)
    report = None
    if settings.report is not None and home.database.exists():
        steps.report(home, settings.report)
        report = settings.report
        recorder.log.say("report_written")
    cleared = Cleared()
    if settings.after != "keep":
        held = [sight for sight in (*look.known, *taken) if sight.fate == Fate.HELD and not sight.why]
        cleared = steps.clear(look.root, held, settings.done)
        note_sights(home.private, (), cleared.gone)
        recorder.log.say("landing_cleared", files=len(cleared.gone), left=len(cleared.stayed))
    return Night(look, summary, cleared, _rules(home, summary), dict(recorder.record.seconds), report)


def profiles_digest(request: Request) -> str:
    """One digest over everything that decides whether a file can be read."""
    shelf = sorted(profile.model_dump_json() for profile in request.profiles)
    return digest_of_texts([*shelf, request.profile or "", request.site or "", code_digest()])


def _digests(ready: Sequence[Sight]) -> tuple[list[Sight], list[Sight]]:
    """The files with the digests of their bytes, and those whose bytes could not be had."""
    readable: list[Sight] = []
    unread: list[Sight] = []
    for sight in ready:
        try:
            readable.append(replace(sight, digest=digest_at(sight.path)))
        except FileNotFoundError:
            unread.append(replace(sight, fate=Fate.LEFT, why="gone"))
        except OSError as error:
            unread.append(replace(sight, fate=Fate.UNREAD, why=errno_word(error)))
    return readable, unread


def _taken(sight: Sight, became: dict[str, str], profiles: str) -> Sight:
    status = became.get(sight.digest or "")
    if status is None:  # its bytes were others when the load read them, or could not be had any more
        return replace(sight, fate=Fate.LEFT, why="still_changing", digest=None)
    if status == FileStatus.REJECTED:
        return replace(sight, fate=Fate.REJECTED, profiles=profiles)
    return replace(sight, fate=Fate.HELD, why=HELD_BACK if status == HELD_BACK else "")


def _rules(home: Home, summary: Summary) -> dict[str, int]:
    """Which rules this night's files broke, and how often."""
    import polars as pl

    new = [o.digest for o in summary.new if o.digest and not o.clean]
    if not new:
        return {}
    rows = (
        home.lake.scan(REJECTED_ROW)
        .filter(pl.col("file_sha256").is_in(new))
        .select("scope", "rule")
        .collect()
    )
    what = {RejectScope.FILE.value: "file", RejectScope.ROW.value: "row", RejectScope.CELL.value: "cell"}
    return dict(sorted(Counter(f"{what[scope]}: {rule}" for scope, rule in rows.rows()).items()))


def _timed(steps: Steps, recorder: Recorder) -> Steps:
    """The same steps, each with its time on record."""

    def timed(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            with recorder.step(name):
                return step(*arguments, **options)

        return call

    load = steps.load
    return Steps(
        timed("look", steps.look),
        Stages(
            timed("take_in", load.take_in),
            load.ahead,
            timed("compute_devices", load.compute_devices),
            timed("compute_drains", load.compute_drains),
            timed("publish", load.publish),
        ),
        timed("report", steps.report),
        timed("clear", steps.clear),
    )


def _tell(recorder: Recorder, night: Night) -> None:
    look = night.look
    recorder.log.say(
        "landing_looked_at", files=len(look.ready), unchanged=len(look.known), litter=look.litter
    )
    for sight in look.left:
        recorder.log.say("file_left", level="warning" if sight.fate == Fate.UNREAD else "info", why=sight.why)
    recorder.took(night.summary.new)
    if night.rules:
        recorder.log.say("rules_broken", level="warning", rules=night.rules)

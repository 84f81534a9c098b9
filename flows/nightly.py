"""
One night: look into the landing folder, load what is whole, write the report, clear up, say how it went.

The steps are plain functions; `Steps` lets Prefect wrap each as a task (see `flows.prefect_nightly`)
without a second copy of the order they run in.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from flows.clearing import Cleared, clear
from flows.landing import Look, errno_word, look_into
from flows.load import PLAIN, Stages, Summary, run_load
from flows.night_settings import NightSettings
from flows.outcome import HELD_BACK
from flows.request import Request, request_for
from flows.runs import DONE, SOME_REJECTED, Recorder, counts_of, recorded
from flows.survey import Found, name_of
from pipeline.provenance import code_digest, digest_of_texts
from pipeline.store import Home
from pipeline.store.seen import Fate, Sight, digest_at, note_sights, read_sights
from schemas.errors import CallError
from schemas.lake import REJECTED_ROW
from schemas.vocabulary import FileStatus, RejectScope

REPORT_DRAINS = 12  # that a night's report has a page for, those worth looking at


def write_report(home: Home, folder: Path) -> None:
    """Write the cohort's page, and those of drains worth looking at."""
    from flows.report import run_report

    run_report(home, folder, most=REPORT_DRAINS)


@dataclass(frozen=True)
class Steps:
    """The steps of a night that touch a drive; each may be wrapped for retries and records."""

    look: Callable[..., Look] = look_into
    load: Stages = PLAIN
    report: Callable[..., None] = write_report
    clear: Callable[..., Cleared] = clear


@dataclass(frozen=True)
class Night:
    """
    What a night did.

    Parameters
    ----------
    rules
        Rule → how many files or rows of this night's it rejected.
    """

    look: Look
    summary: Summary
    cleared: Cleared
    rules: dict[str, int] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    report: Path | None = None

    @property
    def unread(self) -> int:
        """Files and folders that could not be read from disk."""
        in_folder = sum(sight.fate == Fate.UNREAD for sight in self.look.left)
        return in_folder + sum(not o.digest for o in self.summary.outcomes)

    @property
    def exit(self) -> int:
        """0: done; 1: done, but something this night brought was rejected or could not be read."""
        news_clean = all(o.clean for o in self.summary.new) and not self.unread
        return DONE if news_clean and not self.cleared.stayed else SOME_REJECTED

    @property
    def counts(self) -> dict[str, int]:
        """The night in figures, none of which names anything."""
        return counts_of(self.summary) | {
            "known": len(self.look.known) + sum(o.known for o in self.summary.outcomes),
            "left": sum(sight.fate == Fate.LEFT for sight in self.look.left),
            "unread": self.unread,
        }

    def line(self) -> str:
        """The night in one line."""
        count = self.counts
        parts = [
            f"{count['new']} new file{'' if count['new'] == 1 else 's'} ({count['rejected']} rejected), "
            f"{count['known']} known, {count['left']} left for the next run"
        ]
        if self.summary.again:
            parts.append(f"{len(self.summary.again)} read again")
        if count["unread"]:
            parts.append(f"{count['unread']} could not be read")
        parts.append(f"{count['rows_kept']} rows kept, {count['rows_rejected']} rejected")
        parts.append(f"{count['drains']} drain{'' if count['drains'] == 1 else 's'} summarised")
        parts.append("published" if count["published"] else "nothing to publish")
        if self.cleared.gone or self.cleared.stayed:
            stuck = f", {len(self.cleared.stayed)} could not be" if self.cleared.stayed else ""
            parts.append(f"{len(self.cleared.gone)} cleared from the landing folder{stuck}")
        return "; ".join(parts) + f"; {sum(self.seconds.values()):.0f} s"

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON; with the names of files, for whoever runs the ledger."""
        return {
            "exit": self.exit,
            "said": self.line(),
            "counts": self.counts,
            "rules": self.rules,
            "seconds": self.seconds,
            "files": [o.__dict__ for o in self.summary.outcomes],
            "left": [
                {"name": name_of(sight.path), "fate": sight.fate.value, "why": sight.why}
                for sight in self.look.left
            ],
            "cleared": len(self.cleared.gone),
            "not_cleared": [{"name": name_of(path), "why": why} for path, why in self.cleared.stayed],
            "report": None if self.report is None else str(self.report),
        }


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
            timed("compute_devices", load.compute_devices),
            timed("compute_drains", load.compute_drains),
            timed("publish", load.publish),
        ),
        timed("report", steps.report),
        timed("clear", steps.clear),
    )


def _tell(recorder: Recorder, night: Night) -> None:
    recorder.log.say("landing_looked_at", files=len(night.look.ready), known=len(night.look.known))
    for sight in night.look.left:
        recorder.log.say("file_left", level="warning" if sight.fate == Fate.UNREAD else "info", why=sight.why)
    recorder.took(night.summary.new)
    if night.rules:
        recorder.log.say("file_rejected", level="warning", rules=night.rules)

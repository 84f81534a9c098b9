"""What a load would do with files, without writing anything."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import polars as pl

from flows.loading.doubts import doubts_of
from flows.loading.forced import recognised_as
from flows.loading.held import NOTHING_HELD, Held
from flows.loading.outcome import Outcome
from flows.loading.reading import head_of, kind_of
from flows.loading.request import Request
from flows.loading.survey import Found, name_of
from pipeline.cohort import read_annotations, read_registry
from pipeline.ingest import read_log
from pipeline.ingest.far_dates import far_from_others
from schemas.lake import MINUTE, REJECTED_ROW
from schemas.vocabulary import FileStatus

_NOTHING_REJECTED = REJECTED_ROW.empty().with_columns(value=pl.lit(None, pl.String))
_RANGES = {
    "ordered": "set_pressure_cmh2o",
    "pressure": "pressure_mean_cmh2o",
    "leak": "air_leak_ml_min",
    "canister": "canister_volume_ml",
    "tilt": "tilt_deg",
}


@dataclass(frozen=True)
class CheckReport:
    """One file as a load would take it: its fate, and every row and cell that would not pass."""

    path: Path
    kind: str
    profile: str | None
    outcome: Outcome
    rejected: pl.DataFrame
    understood: str | None = None
    contradictions: tuple[tuple[int, str, str], ...] = ()
    ignored: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    copy_of: Path | None = None
    same_minutes_as: Path | None = None
    held: Held | None = None
    newest: datetime | None = None

    @property
    def passed_over(self) -> bool:
        """Whether a load would change nothing for this file."""
        return self.outcome.known

    @property
    def clean(self) -> bool:
        """Whether a load would reject nothing anew: rows of a file that it passes over were told before."""
        held = self.held is not None and self.passed_over and not self.held.waits
        return held or self.outcome.clean


@dataclass
class _Seen:
    """What the files before had: bytes by digest, and all minutes of a file together by theirs."""

    bytes: dict[str, tuple[Path, str]] = field(default_factory=dict)
    minutes: dict[str, Path] = field(default_factory=dict)


def check_files(
    found: Found, request: Request, held: Mapping[str, Held] = NOTHING_HELD
) -> Iterator[CheckReport]:
    """
    Read the files as a load would and report on each, in order.

    `understood` says what the rows were taken to mean: devices, sessions, times and the range of each
    quantity in our units. A wrong unit, sign or order of day and month passes every rule of form and
    shows only there. `contradictions` (line, finding, detail) are what a registry's rows say against
    themselves; whether they fit the logs only a load can tell. `ignored`: columns that
    the profile, or a registry's layout, does not name.
    `doubts`: what passes every rule of form and is probably a slip in the profile. `copy_of`: an earlier file
    of the call with the same bytes, which a load keeps once, as the first that can be read.
    `same_minutes_as`: one with other bytes and just the same minutes of the same uses, packed or exported
    again; a load keeps the rows of both, and each minute counts once. `held`: what the ledger has of the
    same bytes; a load passes such a file over, but for one that it rejected and can read now.
    """
    seen = _Seen()
    return (_with_held(_check(path, request, seen), held) for path in found.files)


def _with_held(report: CheckReport, held: Mapping[str, Held]) -> CheckReport:
    known = held.get(report.outcome.digest)
    if known is None:
        return report
    passed_over = known.again is None if not known.waits else report.outcome.status == FileStatus.REJECTED
    return replace(report, held=known, outcome=replace(report.outcome, known=passed_over))


def _check(path: Path, request: Request, seen: _Seen) -> CheckReport:
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = f"cannot be read from disk ({error.strerror}); check it and load again"
        outcome = Outcome(name_of(path), "", FileStatus.REJECTED, reason=reason)
        return CheckReport(path, "log", None, outcome, _NOTHING_REJECTED)
    kind = kind_of(data)
    understood = None
    ignored: tuple[str, ...] = ()
    same: Path | None = None
    contradictions: tuple[tuple[int, str, str], ...] = ()
    doubtful: tuple[str, ...] = ()
    newest: datetime | None = None
    if kind == "log":
        log = read_log(
            data,
            name_of(path),
            request.profiles,
            request.definitions,
            profile=request.profile,
            site=request.site,
        )
        file, rejected, values = log.file, log.rejected, log.rejected_values
        ignored = log.ignored
        newest = log.minutes["clock"].max()  # type: ignore[assignment]
        same = seen.minutes.setdefault(_minutes_digest(log.minutes), path) if log.minutes.height else None
        understood = _understood(log.minutes, log.traces, log.file["timezone"], log.file["clock_follows_dst"])
        profile = next((p for p in request.profiles if p.name == file["profile"]), None)
        if profile is not None and log.minutes.height:
            doubtful = doubts_of(log, profile, head_of(data))
            if profile.end_line is not None and file["complete"] is None:
                doubtful += (
                    "it has no end line although its layout has one: it may have been cut off after its last "
                    f"row ({log.minutes['clock'].max():%Y-%m-%d %H:%M}); export it again or compare that "  # type: ignore[str-bytes-safe]
                    "row. Where every file says so, mend end_line.",
                )
    else:
        found = read_registry(data) if kind == "registry" else read_annotations(data)
        file, rejected, values = found.file, found.rejected, found.rejected_values
        contradictions, ignored = tuple(found.contradictions.rows()), found.ignored
    shown = rejected.join(
        values.unique(["line", "column"]).select("line", "column", "value"),
        on=["line", "column"],
        how="left",
        nulls_equal=True,
    ).sort("line", "column", "rule")
    other = recognised_as(data, kind, request)
    outcome = Outcome.of(name_of(path), file, forced=request.profile, recognised_as=other)
    first, status = seen.bytes.get(outcome.digest, (None, None))
    # As a load takes it: under the first name by which it can be read, for that can tell the device.
    better = status == FileStatus.REJECTED and outcome.status != FileStatus.REJECTED
    copied = None if better else first
    if copied is None:
        seen.bytes[outcome.digest] = (path, outcome.status)
    return CheckReport(
        path,
        kind,
        file["profile"],
        outcome,
        shown,
        understood,
        contradictions,
        ignored,
        doubtful,
        copied,
        None if copied is not None or same == path else same,
        newest=newest,
    )


def far_files(reports: Sequence[CheckReport], held: Mapping[str, Held]) -> dict[Path, str]:
    """A doubt for each log whose minutes lie years from those of most others, the ledger's among them."""
    given = {r.outcome.digest for r in reports}
    newest: dict[Path | str, datetime] = {r.path: r.newest for r in reports if r.newest is not None}
    for digest, file in held.items():
        if digest not in given and file.in_force and file.profile and file.exported_at is not None:
            newest[digest] = file.exported_at.replace(tzinfo=None)
    return {file: said for file, said in far_from_others(newest).items() if isinstance(file, Path)}


def _minutes_digest(minutes: pl.DataFrame) -> str:
    """SHA-256 over which minutes of which uses a log holds."""
    told = minutes.select("device", "session", "clock").sort("device", "session", "clock")
    return hashlib.sha256(told.write_csv().encode()).hexdigest()


def _understood(
    minutes: pl.DataFrame, traces: pl.DataFrame, zone: str | None, follows_dst: bool | None
) -> str | None:
    if minutes.height == 0:
        return None
    devices, sessions = (minutes[c].unique().sort().to_list() for c in ("device", "session"))
    first, last = (f"{minutes['clock'].sort()[at]:%Y-%m-%d %H:%M}" for at in (0, -1))
    clock = f"{zone}, standard time all year" if follows_dst is False else zone
    states = minutes.group_by("state").len().sort("state").rows()
    said = [
        f"device {_some(devices)}, session {_some(sessions)}, {first} to {last} ({clock})",
        ", ".join(f"{count} {state}" for state, count in states),
        *(
            f"{what} {_least(minutes, column)} to {_most(minutes, column)} {MINUTE.column(column).unit}"
            for what, column in _RANGES.items()
            if minutes[column].null_count() < minutes.height
        ),
    ]
    if traces.height:
        said.append(f"{traces.height} traces")
    return "; ".join(said)


def _least(minutes: pl.DataFrame, column: str) -> str:
    return f"{minutes.select(pl.col(column).min()).item():g}"


def _most(minutes: pl.DataFrame, column: str) -> str:
    return f"{minutes.select(pl.col(column).max()).item():g}"


def _some(values: Sequence[object], most: int = 3) -> str:
    shown = ", ".join(str(value) for value in values[:most])
    return f"{shown} and {len(values) - most} more" if len(values) > most else shown

"""What became of one file: its rows, its records, its row of `load_file`, and the sentence that says why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.ingest.identity import Identity
from pipeline.ingest.profile import Profile
from pipeline.ingest.rules import FAULTS, VALUE_LENGTH, FileRejected, Rule, value_shape
from pipeline.zones import zone_data
from schemas.lake import LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.vocabulary import FileStatus, RejectScope


@dataclass(frozen=True)
class ReadLog:
    """
    What became of one file.

    Parameters
    ----------
    minutes, traces, rejected, rejected_values
        Rows of the tables `minute`, `trace`, `rejected_row` and `rejected_value`, by line.
    file
        The columns of `load_file` but `loaded_at`.
    profile_text
        The exact text of the profile it was read with; null where none fitted.
    ignored
        Columns of its header that the profile does not name, in order.
    """

    minutes: pl.DataFrame
    traces: pl.DataFrame
    rejected: pl.DataFrame
    rejected_values: pl.DataFrame
    file: dict[str, Any]
    profile_text: str | None
    ignored: tuple[str, ...] = ()

    def with_ignored(self, names: Sequence[str]) -> ReadLog:
        """The same, with the columns of its header that the profile does not name."""
        file = self.file | {"columns_ignored": len(names)}
        return replace(self, file=file, ignored=tuple(names))


@dataclass(frozen=True)
class Known:
    """What is known of a file so far, so that a rejection on the way can still say it."""

    digest: str
    profile: Profile | None = None
    identity: Identity | None = None


def nothing_kept(known: Known, rejection: FileRejected) -> ReadLog:
    """The outcome of a file that cannot be read at all."""
    file = _load_file(known, reason=rejection.reason)
    return _put_together(known, MINUTE.empty(), TRACE.empty(), _file_fault(rejection.rule, rejection), file)


def outcome(
    known: Known,
    minutes: pl.DataFrame,
    traces: pl.DataFrame,
    faults: pl.DataFrame,
    *,
    cut_off: bool,
    rows_promised: int | None,
    rows_after_end: bool,
) -> ReadLog:
    """
    The outcome of a file that was read.

    Parameters
    ----------
    faults
        A record for each row and cell that was lost.
    cut_off
        The packed file broke off.
    rows_promised, rows_after_end
        What the end line says, null without one; whether rows follow an end line.
    """
    lost = faults
    if faults.height:
        lost = faults.filter(pl.col("scope") == RejectScope.ROW.value).sort("line")
    kept, rejected = minutes.height, lost.height
    read = kept + rejected
    complete: bool | None = None
    if cut_off or rows_after_end:
        complete = False
    elif rows_promised is not None:
        complete = rows_promised == read

    reasons: dict[Rule | None, str] = {}
    if rejected:
        first = f"line {lost['line'][0]}: {lost['rule'][0]}"
        reasons[None if kept else Rule.NO_ROW_KEPT] = (
            f"{rejected} of its {_rows(read)} could not be kept (the first, {first}); see `rejected`"
        )
    elif not read and not complete:
        reasons[Rule.NO_ROWS] = "It holds no rows; export it again"
    if cut_off:
        reasons[Rule.GZIP_CUT_OFF] = "The gzip file breaks off before its end; copy it again"
    elif rows_after_end:
        reasons[Rule.ROW_COUNT_DIFFERS] = "Its end line is not its last; export it again"
    elif complete is False:
        reasons[Rule.ROW_COUNT_DIFFERS] = (
            f"Its end line promises {_rows(rows_promised or 0)} and it has {read}; export it again"
        )

    status = FileStatus.LOADED if not reasons else FileStatus.PARTIAL if kept else FileStatus.REJECTED
    file = _load_file(
        known,
        device=_devices(minutes, known.identity),
        complete=complete,
        status=status.value,
        rows_read=read,
        rows_kept=kept,
        rows_rejected=rejected,
        cells_rejected=int((faults["scope"] == RejectScope.CELL.value).sum()),
        reason=". ".join(reasons.values()) + "." if reasons else None,
    )
    of_file = [_file_fault(rule) for rule in reasons if rule is not None]
    return _put_together(known, minutes, traces, pl.concat([faults, *of_file]), file)


def _devices(minutes: pl.DataFrame, identity: Identity | None) -> str | None:
    """The serial that the file as a whole names, or those that its rows name."""
    if identity is not None and identity.device is not None:
        return identity.device
    return ";".join(minutes["device"].unique().sort()) or None


def unread_file(digest: str) -> dict[str, Any]:
    """The `load_file` row (but `loaded_at`) of a file of which nothing is known yet: rejected, no rows."""
    row: dict[str, Any] = dict.fromkeys(LOAD_FILE.names)
    del row["loaded_at"]
    counts = dict.fromkeys(("rows_read", "rows_kept", "rows_rejected", "cells_rejected"), 0)
    return (
        row | counts | {"file_sha256": digest, "status": FileStatus.REJECTED.value, "zone_data": zone_data()}
    )


def _load_file(known: Known, **more: Any) -> dict[str, Any]:
    profile, identity = known.profile, known.identity
    row = unread_file(known.digest)
    if profile:
        row |= {
            "profile": profile.name,
            "profile_sha256": profile.digest,
            "clock_follows_dst": profile.clock.follows_dst,
        }
    if identity:
        row |= {
            "site": identity.site,
            "device": identity.device,
            "exported_at": identity.exported_at,
            "timezone": identity.timezone,
        }
    return row | more


def _put_together(
    known: Known, minutes: pl.DataFrame, traces: pl.DataFrame, faults: pl.DataFrame, file: dict[str, Any]
) -> ReadLog:
    """Records told apart: the public part shows a value's shape, the private one holds the value."""
    text = known.profile.text if known.profile else None
    if not faults.height:
        return ReadLog(minutes, traces, REJECTED_ROW.empty(), REJECTED_VALUE.empty(), file, text)
    ordered = faults.sort("line", "scope", "column", "rule", nulls_last=False).with_columns(
        file_sha256=pl.lit(known.digest),
        value_shape=value_shape(pl.col("value")),
        value=pl.col("value").str.head(VALUE_LENGTH),
    )
    return ReadLog(
        minutes=minutes,
        traces=traces,
        rejected=REJECTED_ROW.conform(ordered),
        rejected_values=REJECTED_VALUE.conform(ordered.drop_nulls("value")),
        file=file,
        profile_text=text,
    )


def _file_fault(rule: Rule, where: FileRejected | None = None) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "line": [where.line if where else None],
            "scope": [RejectScope.FILE.value],
            "column": [where.column if where else None],
            "rule": [rule.value],
            "value": [where.value if where else None],
        },
        schema=FAULTS,
    )


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"

"""What the ledger holds of one drain, asked of the published database: the material of its page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.report.ask import Ask
from schemas.errors import CallError, DrainledgerError
from schemas.published import ALERT, CANISTER, CHANGE, DRAIN_DAY, PERIOD
from schemas.views import MINUTE_VIEW
from schemas.vocabulary import PeriodKind

ANNOTATIONS: dict[str, pl.DataType] = {
    "started_at": pl.Datetime("us", "UTC"),
    "ended_at": pl.Datetime("us", "UTC"),
    "kind": pl.String(),
}


_UNREADABLE = (
    "The minutes of this drain cannot be read: the lake's files are not where this database expects them. "
    "One more load puts that right; the sentences and tables rest on the database alone and stand."
)


@dataclass(frozen=True)
class DrainRecord:
    """
    One drain, whole.

    Parameters
    ----------
    drain
        Its row of `drain`.
    minutes
        Its rows of the view `minute` in time order, and `seen` (the log has the minute); no rows where it
        has no log or where the lake cannot be read.
    unreadable
        Why the minutes could not be read; empty where they could.
    periods, alerts, days, changes
        Its rows of these tables, in time order.
    canisters
        Its rows of `canister`, with `until_at` (its end as far as told: when it was removed, else the end of
        the device use it was fitted in; null where no use holds it) and `device_changed` (another
        use came after that one: it went with its device).
    uses
        `from_at`, `until_at`, `device`, `session`: the device uses that served it, in time order.
    annotations
        `started_at`, `ended_at` (null: a moment or no end noted), `kind`: what staff noted.
    made
        `code_version` and `settings_digest` of the database.
    """

    drain: Mapping[str, Any]
    minutes: pl.DataFrame
    unreadable: str
    periods: pl.DataFrame
    alerts: pl.DataFrame
    canisters: pl.DataFrame
    days: pl.DataFrame
    uses: pl.DataFrame
    changes: pl.DataFrame
    annotations: pl.DataFrame
    made: Mapping[str, Any]


def read_record(ask: Ask, drain_id: str, annotations: pl.DataFrame | None = None) -> DrainRecord:
    """
    Ask the published database for everything it holds of a drain.

    Parameters
    ----------
    ask
        Answers SELECTs on the database.
    drain_id
        In full.
    annotations
        `started_at`, `ended_at`, `kind` of what staff noted: private, so the database lacks it.

    Raises
    ------
    CallError
        When there is no such drain.
    """
    found = ask("SELECT * FROM drain WHERE drain_id = ?", drain_id)
    if found.height != 1:
        raise CallError(
            f'report: there is no drain {drain_id}; drainledger sql "SELECT drain_id FROM drain" lists '
            "those there are."
        )
    minutes, unreadable = _minutes(ask, drain_id)
    tables = {
        table.name: ask(
            f"SELECT * FROM {table.name} WHERE drain_id = ? ORDER BY {', '.join(order)}", drain_id
        )
        for table, order in (
            (PERIOD, ("started_at", "kind", "ended_at")),
            (ALERT, ("started_at", "code", "ended_at")),
            (CANISTER, ("canister_no",)),
            (DRAIN_DAY, ("day",)),
            (CHANGE, ('"column"',)),
        )
    }
    uses = _uses(ask, drain_id)
    return DrainRecord(
        drain=found.row(0, named=True),
        minutes=minutes,
        unreadable=unreadable,
        periods=tables["period"],
        alerts=tables["alert"],
        canisters=fitted_until(tables["canister"], uses),
        days=tables["drain_day"],
        uses=uses,
        changes=tables["change"],
        annotations=pl.DataFrame(schema=ANNOTATIONS)
        if annotations is None
        else annotations.select(*ANNOTATIONS).unique().sort(*ANNOTATIONS, nulls_last=True),
        made=ask("SELECT code_version, settings_digest FROM provenance").row(0, named=True),
    )


def fitted_until(canisters: pl.DataFrame, uses: pl.DataFrame) -> pl.DataFrame:
    """A canister that nobody saw removed is there until its device's use ends, not beyond."""
    spans = uses.select("from_at", "until_at").rows()
    ends: list[datetime | None] = []
    for fitted, removed in canisters.select("fitted_at", "removed_at").iter_rows():
        held = [until for begin, until in spans if begin <= fitted < until]
        ends.append(removed or (max(held) if held else None))
    last = max((until for _, until in spans), default=None)
    return canisters.with_columns(until_at=pl.Series(ends, dtype=canisters.schema["fitted_at"])).with_columns(
        device_changed=pl.col("removed_at").is_null()
        & pl.col("until_at").is_not_null()
        & (pl.col("until_at") < pl.lit(last, dtype=canisters.schema["fitted_at"]))
    )


def clock_steps(minutes: pl.DataFrame) -> pl.DataFrame:
    """Minutes just before which the clock stepped; a step before anything was seen parts nothing."""
    return minutes.filter("seen").filter(pl.col("clock_step") & (pl.col("minute") > pl.col("minute").min()))


def _minutes(ask: Ask, drain_id: str) -> tuple[pl.DataFrame, str]:
    try:
        minutes, said = ask("SELECT * FROM minute WHERE drain_id = ? ORDER BY minute", drain_id), ""
    except (DrainledgerError, duckdb.Error):  # the lake has moved, or holds no longer what was published
        minutes, said = MINUTE_VIEW.empty(), _UNREADABLE
    return minutes.with_columns(seen=~pl.col("flags").list.contains(PeriodKind.NO_DATA.value)), said


def _uses(ask: Ask, drain_id: str) -> pl.DataFrame:
    """The device's serial and session stand in the use's id, site:device/session@first minute."""
    served = ask(
        "SELECT use_id, from_at, until_at FROM drain_use WHERE drain_id = ? ORDER BY from_at, use_id",
        drain_id,
    )
    named = pl.col("use_id").str.extract_groups(r"^[^:]*:(?<device>.+)/(?<session>\d+)@")
    return served.select(
        "from_at",
        "until_at",
        device=named.struct.field("device"),
        session=named.struct.field("session").cast(pl.Int64),
    )

"""When a removal rule would have held, and what happened after: looking back, never advice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.cohort.quantities import hours, in_units, steps_per_unit
from pipeline.cohort.removal import came_out
from pipeline.cohort.rule_clock import NEVER, RuleClock
from pipeline.cohort.rules import RemovalRule
from pipeline.definitions import Definitions
from schemas.published import READINESS
from schemas.table import INSTANT
from schemas.whatif import FOLLOWED

_DRAIN = "drain_id"


def readiness(
    bedside: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions, rules: Sequence[RemovalRule]
) -> pl.DataFrame:
    """
    Apply removal rules to drains (READINESS).

    What a minute says rests on that minute and those before, with the fluid, tidaling and suspicions as they
    were known then (`bedside_minutes`): minutes that come later never move an earlier `ready_at`. A rule's
    clock runs over observed, running minutes with a leak reading; it stops while the line is clamped, open,
    paused, stopped or suspected blocked, for a blocked tube looks dry and tight.

    What came after is told looking back. `ready_since_at` is the start of the unbroken stretch, on the
    rule's clock, up to the end of the log, where the log reaches within `readiness.log_within` of a known
    removal. `removed_before_ready` is null where the log does not, where it begins late and never shows the
    rule fulfilled, and where the tube did not come out but went with the patient or was replaced.
    `leak_returned_within_24h` looks at the course's m(t) above the greater of the rule's
    limit and `readiness.return_above`, for `readiness.return_least` minutes after `ready_at`; it is false
    only where `drain.watched_share` of the time was assessable (`watched_24h_share`).

    Parameters
    ----------
    bedside
        BEDSIDE of these drains, sorted by drain and minute.
    drains
        `drain_id`, `origin_at`, `tube_out_at`, `ended_at`, `entered_hours`.
    """
    return READINESS.conform(readiness_followed(bedside, drains, definitions, rules))


def readiness_followed(
    bedside: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions, rules: Sequence[RemovalRule]
) -> pl.DataFrame:
    """
    As `readiness`, with what a curve of the time to the leak's return needs (FOLLOWED).

    `returned_after_minutes`: from ready to the minute that made `readiness.return_least` above the limit;
    null where none did. `followed_minutes`: how long the drain was watched for that: all of `return_within`
    where `drain.watched_share` of it was assessable, else to the last assessable minute; 0 without any.
    """
    known = drains.sort(_DRAIN)
    clock = RuleClock(bedside, known, definitions)
    parts = [_of_rule(clock, known, rule, definitions) for rule in rules]
    return pl.concat([FOLLOWED.empty(), *parts]).sort(_DRAIN, "rule")


def _of_rule(
    clock: RuleClock, drains: pl.DataFrame, rule: RemovalRule, definitions: Definitions
) -> pl.DataFrame:
    found = clock.ready(rule)
    after = clock.above_after(found.first, max(definitions.readiness.return_above, rule.leak_at_most))
    told = drains.with_columns(
        at=_instant(clock, found.first),
        since=_instant(clock, found.since),
        seen=pl.Series(after.seen),
        above=pl.Series(after.above),
        back=pl.Series(after.returned),
        last=pl.Series(after.last),
        basis=_basis(clock, found.first, rule, definitions),
    )
    out, at = pl.col("tube_out_at"), pl.col("at")
    within = pl.duration(minutes=round(definitions.readiness.log_within * 60))
    reaches = (pl.col("ended_at") + pl.duration(minutes=1) >= out - within).fill_null(False)
    since = pl.when(reaches).then(pl.col("since"))
    whole = pl.col("entered_hours") * 60 <= definitions.leak.late_entry
    span = round(definitions.readiness.return_within * 60)
    returned = pl.col("above") >= definitions.readiness.return_least
    watched = pl.col("seen") >= definitions.drain.watched_share * span
    return FOLLOWED.conform(
        told.select(
            _DRAIN,
            rule=pl.lit(rule.name),
            ready_at=at,
            ready_since_at=since,
            ready_basis="basis",
            hours_ready_before_removal=hours(out - since),
            removed_before_ready=pl.when(came_out() & at.is_not_null())
            .then(False)
            .when(came_out() & reaches & whole)
            .then(True),
            leak_returned_within_24h=pl.when(at.is_null())
            .then(None)
            .when(returned)
            .then(True)
            .when(watched)
            .then(False),
            watched_24h_share=pl.when(at.is_not_null()).then(in_units(pl.col("seen"), span)),
            returned_after_minutes=pl.when(at.is_not_null() & returned).then(pl.col("back")),
            followed_minutes=pl.when(at.is_not_null()).then(
                pl.when(watched).then(pl.lit(span, pl.Int64)).otherwise(pl.col("last"))
            ),
        )
    )


def _instant(clock: RuleClock, rows: np.ndarray) -> pl.Series:
    """The minutes at these rows; null where there is none."""
    minutes = pl.Series(clock.minute[rows] if len(clock.minute) else np.zeros(len(rows), np.int64))
    known = pl.Series(rows != NEVER)
    return pl.select(pl.when(known).then(minutes * 60_000_000).cast(INSTANT)).to_series()


def _basis(clock: RuleClock, rows: np.ndarray, rule: RemovalRule, definitions: Definitions) -> pl.Series:
    """In words, what was there at `ready_at`; null where it never came."""
    parts: list[pl.Expr] = [pl.lit(f"leak over {rule.leak_hours:g} h")]
    columns: dict[str, pl.Series] = {"ready": pl.Series(rows != NEVER)}
    safe = np.where(rows == NEVER, 0, rows)
    if rule.output_hours is not None and len(clock.on):
        per_ml = steps_per_unit(definitions.resolution.volume)
        came = clock.output_before(rule.output_hours)
        place = np.minimum(np.searchsorted(clock.on, safe), len(came) - 1)
        columns["ml"] = pl.Series(np.rint(came[place] / per_ml).astype(np.int64))
        parts.append(pl.format("{} mL in " + f"{rule.output_hours:g} h", "ml"))
    if rule.tidaling_within_hours is not None and len(clock.minute):
        columns["seen"] = clock.basis.gather(pl.Series(safe)).fill_null("log")
        parts.append(pl.format("tidaling seen by {}", "seen"))
    words = pl.when("ready").then(pl.concat_str(parts, separator="; "))
    return pl.DataFrame(columns).select(words.alias("basis")).to_series()

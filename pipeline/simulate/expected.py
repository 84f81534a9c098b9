"""The truth about a drain: when its lung sealed, whether that took too long, and what a ledger can know."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from pipeline.simulate.registry import RegistryDrain
from pipeline.simulate.therapy import Therapy
from schemas.errors import CallError
from schemas.vocabulary import OutcomeReason, ProlongedLeak

INSTANT = pl.Datetime("us", "UTC")

DRAIN_TRUTH = {
    "site": pl.String(),
    "drain_key": pl.String(),
    "number": pl.Int64(),
    "story": pl.String(),
    "scenario": pl.String(),
    "uses": pl.List(pl.String()),
    "origin_at": INSTANT,
    "started_at": INSTANT,
    "ended_at": INSTANT,
    "removal_reason": pl.String(),
    "leak_ended_at": INSTANT,
    "leaking_at_end": pl.Boolean(),
    "leak_hours": pl.Float64(),
    "prolonged": pl.Boolean(),
    "expected_prolonged_leak": pl.String(),
    "expected_reason": pl.String(),
    "output_ml": pl.Float64(),
    "canister_changes": pl.Int64(),
    "occlusions": pl.Int64(),
    "occluded_minutes": pl.Int64(),
    "clamped_minutes": pl.Int64(),
    "tilted_minutes": pl.Int64(),
    "breathing_visible_minutes": pl.Int64(),
    "unlogged_minutes": pl.Int64(),
}


def drain_truth(
    lived: Therapy, site: str, number: int, story: str, uses: list[str], row: RegistryDrain | None
) -> dict[str, Any]:
    """
    One row of drain-level truth, in the columns of `DRAIN_TRUTH`.

    `prolonged` says what the lung did while the tube was in. `expected_prolonged_leak` says what an
    honest ledger can know: `unknown` where the drain left sight while leaking, or left it for another
    reason than a planned removal before its lung had been watched past the threshold. Two things are not
    weighed here: where a drain has `unlogged_minutes` a ledger may know less, and where the ward
    registered `wrong_dates` it is told something else.
    """
    truth, minutes = lived.truth, lived.plan.minutes
    origin = _origin(lived, row)
    leak_end = lived.leak_end_minute
    leaking_at_end = leak_end == minutes
    ended = None if leak_end is None else lived.start + timedelta(minutes=leak_end)
    prolonged = _prolonged(lived, origin)
    reason = None if row is None else row.removal_reason
    out = None if row is None else row.tube_out_at
    watched = _watched_past_threshold(lived, origin, out)
    verdict, why = _knowable(lived, prolonged, leaking_at_end, reason, watched, bool(uses))
    return {
        "site": site,
        "drain_key": None if row is None else row.drain_key,
        "number": number,
        "story": story,
        "scenario": lived.plan.scenario,
        "uses": uses,
        "origin_at": origin,
        "started_at": lived.start,
        "ended_at": lived.end,
        "removal_reason": reason,
        "leak_ended_at": None if leaking_at_end else ended,
        "leaking_at_end": leaking_at_end,
        "leak_hours": 0.0 if ended is None else (ended - origin).total_seconds() / 3600,
        "prolonged": prolonged,
        "expected_prolonged_leak": str(verdict),
        "expected_reason": None if why is None else str(why),
        "output_ml": float(truth["output_ml"][-1]),
        "canister_changes": int(truth["canister_no"][-1]) - 1 - len(lived.plan.swaps),
        "occlusions": len(lived.plan.occlusions),
        "occluded_minutes": int(truth["occluded"].sum()),
        "clamped_minutes": int(truth["clamped"].sum()),
        "tilted_minutes": int(truth["tilted"].sum()),
        "breathing_visible_minutes": int(truth["breathing_visible"].sum()),
        "unlogged_minutes": int((~truth["logged"]).sum()),
    }


def _origin(lived: Therapy, row: RegistryDrain | None) -> datetime:
    origin = lived.start if row is None else (row.procedure_end_at or row.tube_in_at)
    return origin.astimezone(UTC)


def _prolonged(lived: Therapy, origin: datetime) -> bool:
    """A leak that spans the threshold, or at least so much of it after the threshold."""
    rules = lived.definitions.prolonged_leak[0]
    threshold = origin + _threshold(lived)
    leaking = lived.truth.filter("leaking")["minute"]
    after = leaking.filter(leaking > threshold)
    spans = bool((leaking < threshold).any()) and bool((leaking == threshold).any()) and len(after) > 0
    return spans or len(after) >= rules.leak_after * 60


def _threshold(lived: Therapy) -> timedelta:
    """Of the published definition; the truth is told for one that counts hours only."""
    hours = lived.definitions.prolonged_leak[0].threshold
    if hours is None:
        raise CallError("simulate: the first [[prolonged_leak]] has no threshold in hours; give it one.")
    return timedelta(hours=hours)


def _knowable(
    lived: Therapy, prolonged: bool, leaking_at_end: bool, reason: str | None, watched: bool, logged: bool
) -> tuple[ProlongedLeak, OutcomeReason | None]:
    known = {str(word): word for word in OutcomeReason}
    if not logged:
        return ProlongedLeak.UNKNOWN, OutcomeReason.NO_LOG
    if prolonged:
        return ProlongedLeak.YES, None
    if leaking_at_end or _leaking_when_last_seen(lived):
        if reason == "planned":
            return ProlongedLeak.UNKNOWN, OutcomeReason.REMOVED_LEAKING
        return ProlongedLeak.UNKNOWN, known.get(reason or "", OutcomeReason.LOG_ENDS_LEAKING)
    if reason == "planned" or watched:
        return ProlongedLeak.NO, None
    if reason in (None, "", "other"):
        return ProlongedLeak.NO, OutcomeReason.REMOVAL_PRESUMED
    return ProlongedLeak.UNKNOWN, known[reason]


def _watched_past_threshold(lived: Therapy, origin: datetime, out: datetime | None) -> bool:
    """
    Whether the lung was seen past the threshold, however the drain then left sight.

    The definition wants a share of the minutes from the threshold to the removal, be they few: who dies two
    hours after the threshold with a lung that no longer leaked had no prolonged leak. Only where nobody
    wrote down when the tube came out must there be as many hours as a new leak would need.
    """
    rules = lived.definitions.prolonged_leak[0]
    threshold = origin + _threshold(lived)
    behind = lived.truth.filter(pl.col("minute") >= threshold)
    shut = pl.any_horizontal("clamped", "occluded", "line_open")
    seen = behind.filter(pl.col("running") & ~shut).height
    enough = seen > 0 if out is not None else seen >= rules.leak_after * 60
    return enough and seen >= rules.watched_share * behind.height


def _leaking_when_last_seen(lived: Therapy) -> bool:
    """Whether the lung leaked when the tube was last open: one blocked to the end hides the rest."""
    open_tube = lived.truth.filter(~(pl.col("clamped") | pl.col("occluded")))
    return bool(open_tube["leaking"][-1])

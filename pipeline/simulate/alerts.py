"""Alerts a device rings over a therapy, and when their cause is dealt with."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.simulate.bedside import Bedside, mask
from pipeline.simulate.plan import Plan, Stretch
from schemas.vocabulary import OTHER_ALERT_PREFIX, AlertCode

Flags = NDArray[np.bool_]

# Ours, for a code that no site maps: shows that unknown codes are carried, not dropped.
UNMAPPED_CODE = f"{OTHER_ALERT_PREFIX}S12"


def ringing(
    plan: Plan,
    truth: pl.DataFrame,
    bedside: Bedside,
    canister_reading: NDArray[np.float64],
    rng: np.random.Generator,
) -> pl.Series:
    """
    One list of codes a minute; they ring until the cause is gone (common practice).

    Canister full from 95 % of the canister to its change; battery low under 20 % off the mains; a
    blocked line 5 to 20 minutes into an occlusion that the device notices; an open line that it
    notices, at once; a pause after ten minutes. The limits are our judgement.
    """
    n = plan.minutes
    column = {name: truth[name].to_numpy() for name in ("paused", "line_open", "output_ml")}
    hour_ago = np.concatenate((np.zeros(min(60, n)), column["output_ml"][:-60]))[:n]
    shut_noticed = [
        Stretch(s.start + int(rng.integers(5, 21)), s.end)
        for s in (*plan.occlusions, *plan.clamps)
        if s.note == "rings"
    ]
    open_noticed = [s for s in plan.line_open if s.note == "rings"]
    rings: dict[str, Flags] = {
        AlertCode.CANISTER_FULL: canister_reading >= 0.95 * plan.canister_ml,
        AlertCode.BATTERY_LOW: (bedside.battery_pct < 20) & ~bedside.mains,
        AlertCode.LINE_BLOCKED: mask(n, shut_noticed) & ~column["paused"],
        AlertCode.FILTER_BLOCKED: mask(n, plan.filter_blocked),
        AlertCode.LINE_LEAK: mask(n, open_noticed) & column["line_open"],
        AlertCode.PAUSE_LONG: _lasting(column["paused"], 10),
        AlertCode.SELF_CHECK_FAILED: _last_of_each_run(bedside.failed_check),
        AlertCode.OUTPUT_HIGH: (column["output_ml"] - hour_ago) > 200,
        UNMAPPED_CODE: rng.random(n) < 0.0001,
    }
    frame = pl.DataFrame({str(code): values for code, values in rings.items()})
    return frame.select(
        pl.concat_list(pl.when(pl.col(code)).then(pl.lit(code)) for code in frame.columns)
        .list.drop_nulls()
        .alias("alerts")
    )["alerts"]


def _lasting(flag: Flags, least: int) -> Flags:
    """The minutes of each run from its `least`-th on."""
    position = np.arange(len(flag))
    last_off = np.maximum.accumulate(np.where(flag, -1, position))
    return flag & (position - last_off > least)


def _last_of_each_run(flag: Flags) -> Flags:
    return flag & ~np.concatenate((flag[1:], [False]))

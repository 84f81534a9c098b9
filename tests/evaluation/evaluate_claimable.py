"""
Clamps and occlusions that the definition can claim at all, told by the truth alone.

The flag `clamped` says that breathing and leak stop within two minutes after somebody handled the drain and return
together within an hour. A line that nobody handled, one clamped for longer, one behind which no breath moved, is clamped in
truth and cannot be `clamped` by that rule; the log shows such a stop as `flow_stopped`, as absence, or, where nothing moved
before either, not at all. So recall is given of all true ones and of those below. What the ledger says takes no part.

A clamp can be claimed where

- it begins at most 2 minutes after a pause, a change of canister or the end of an alert;
- it lasts at most 60 minutes;
- breath moved the line by at least 0.75 cm[H2O] (median) in the half hour before, and does again within ten minutes after; what
  lies between that and 0.35 is called neither way, as for the verdicts;
- a lung that leaked before leaks again after it: one whose leak closes while it is clamped returns with its breath alone;
- the device logged every minute from ten before it to ten after, its clock right or counted;
- nobody walked about in it or within ten minutes of either end: walking moves the pressure as breath does, and with breath the
  onset must be dated to ten minutes.

An occlusion can be claimed where it lasts 45 running minutes or longer and

- breath moved the line so in the hour before;
- in that hour the lung leaked more than 20 mL/min (median), or more than 5 mL/h came in the six hours before and at least
  10 mL would have come at that rate while it was blocked;
- the device logged every minute from an hour before to 45 minutes after it began;
- nobody walked about within half an hour of its beginning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

MOVES = 0.75  # cm[H2O]
LEAKS, DRAINS, EXPECTED = 20.0, 5.0, 10.0  # mL/min, mL/h, mL
AFTER_HAND, LONGEST_CLAMP, LEAST_OCCLUSION = 2, 60, 45  # min

# What keeps a clamp from being claimed; of several the first is told.
HINDRANCES = (
    "it outlasts `clamp.return_within`",
    "no breath was there to stop",
    "nobody's hand was on the drain",
    "a hole, a walk, or no return",
)

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Episode:
    """A true clamp or occlusion: its rows in the stay's minutes, how long, and what keeps it from being claimed."""

    first: int
    last: int
    minutes: int
    running: int
    hindrance: str

    @property
    def claimable(self) -> bool:
        """Whether nothing does."""
        return not self.hindrance


@dataclass(frozen=True)
class _Stay:
    """The truth of one stay by the minute, also of minutes that the device did not log."""

    at: NDArray[np.int64]
    shut: Flags
    swing: Reals
    leak: Reals
    output: Reals
    running: Flags
    handled: Flags
    walking: Flags
    unlogged: NDArray[np.int64]

    def between(self, start: int, end: int) -> NDArray[np.int64]:
        """Rows of the minutes from one until before another."""
        return np.flatnonzero((self.at >= start) & (self.at < end))

    def median(self, values: Reals, start: int, end: int) -> float:
        """Median over the running minutes between; 0 where there are none."""
        rows = self.between(start, end)
        rows = rows[self.running[rows]]
        return float(np.median(values[rows])) if len(rows) else 0.0

    def whole(self, start: int, end: int) -> bool:
        """Whether every minute between was logged."""
        return not ((self.unlogged >= start) & (self.unlogged < end)).any() and self.at[0] <= start

    def still(self, start: int, end: int) -> bool:
        """Whether nobody walks about between."""
        return not self.walking[self.between(start, end)].any()


def clamps(minutes: pl.DataFrame, unlogged: pl.DataFrame) -> Iterator[tuple[pl.DataFrame, Episode]]:
    """Every true clamp with its stay's minutes in order of time."""
    for frame, stay in _stays(minutes, unlogged, pl.col("true_clamped")):
        for first, last in _runs(stay, apart=1):
            yield frame, _episode(stay, first, last, _clamp_hindrance)


def occlusions(minutes: pl.DataFrame, unlogged: pl.DataFrame) -> Iterator[tuple[pl.DataFrame, Episode]]:
    """Every true occlusion of 45 running minutes or longer; one that opens for less than an hour goes on."""
    for frame, stay in _stays(minutes, unlogged, pl.col("true_occluded") & ~pl.col("true_kinked")):
        for first, last in _runs(stay, apart=60):
            found = _episode(stay, first, last, _occlusion_hindrance)
            if min(found.running, found.minutes) >= LEAST_OCCLUSION:
                yield frame, found


def _stays(
    minutes: pl.DataFrame, unlogged: pl.DataFrame, shut: pl.Expr
) -> Iterator[tuple[pl.DataFrame, _Stay]]:
    of_stay = dict(unlogged.group_by("stay").agg("true_minute").iter_rows())
    some = minutes.with_columns(_shut=shut.fill_null(False)).filter(pl.col("_shut").any().over("stay"))
    for (name,), frame in some.sort("stay", "true_minute").group_by(["stay"], maintain_order=True):
        alerts = pl.col("true_alerts").list.len().fill_null(0) > 0
        changed = pl.col("true_canister_no") != pl.col("true_canister_no").shift(1)
        hand = pl.col("true_paused") | changed.fill_null(False) | (alerts.shift(1) & ~alerts).fill_null(False)
        columns = frame.select(
            _minute_number("true_minute"),
            "_shut",
            *(pl.col(f"true_{k}").fill_null(0.0) for k in ("swing_cmh2o", "leak_trend_ml_min", "output_ml")),
            (pl.col("true_running") & (pl.col("state") == "run")).fill_null(False),
            hand.alias("hand"),
            "true_walking",
        )
        gone = pl.DataFrame({"at": of_stay.get(name, [])}, schema={"at": frame.schema["true_minute"]})
        values = [column.to_numpy() for column in (*columns, *gone.select(_minute_number("at")))]
        yield frame.drop("_shut"), _Stay(*values)


def _minute_number(column: str) -> pl.Expr:
    return pl.col(column).dt.epoch("s") // 60


def _runs(stay: _Stay, apart: int) -> list[tuple[int, int]]:
    rows = np.flatnonzero(stay.shut)
    cuts = np.flatnonzero(np.diff(stay.at[rows]) > apart) + 1
    edges = [0, *cuts.tolist(), len(rows)]
    return [(int(rows[a]), int(rows[b - 1])) for a, b in pairwise(edges)]


def _episode(stay: _Stay, first: int, last: int, hindrance: Callable[[_Stay, int, int], str]) -> Episode:
    begins, ends = int(stay.at[first]), int(stay.at[last]) + 1
    running = int(stay.running[first : last + 1].sum())
    return Episode(first, last, ends - begins, running, hindrance(stay, begins, ends))


def _clamp_hindrance(stay: _Stay, begins: int, ends: int) -> str:
    outlasts, nothing_to_stop, no_hand, unseen = HINDRANCES
    if ends - begins > LONGEST_CLAMP:
        return outlasts
    if stay.median(stay.swing, begins - 30, begins) < MOVES:
        return nothing_to_stop
    if not stay.handled[stay.between(begins - AFTER_HAND, begins + AFTER_HAND + 1)].any():
        return no_hand
    leaked = stay.median(stay.leak, begins - 10, begins) > LEAKS
    returns = stay.median(stay.swing, ends, ends + 10) >= MOVES and (
        not leaked or stay.median(stay.leak, ends, ends + 10) > LEAKS
    )
    seen = stay.whole(begins - 10, ends + 10) and stay.still(begins - 10, ends + 10)
    return "" if returns and seen else unseen


def _occlusion_hindrance(stay: _Stay, begins: int, ends: int) -> str:
    came = stay.between(begins - 360, begins)
    hours = (stay.at[came[-1]] - stay.at[came[0]]) / 60 if len(came) > 1 else 0.0
    rate = float(stay.output[came[-1]] - stay.output[came[0]]) / hours if hours else 0.0
    leaked = stay.median(stay.leak, begins - 60, begins) > LEAKS
    drained = rate > DRAINS and rate * (ends - begins) / 60 >= EXPECTED
    can = (
        stay.median(stay.swing, begins - 60, begins) >= MOVES
        and (leaked or drained)
        and stay.whole(begins - 60, begins + LEAST_OCCLUSION)
        and stay.still(begins - 30, begins + 30)
    )
    return "" if can else "by the criteria above"

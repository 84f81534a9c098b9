"""The clock of removal rules: the minutes of many drains laid out once, so that many rules are cheap."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cohort.quantities import steps_per_unit
from pipeline.cohort.rules import RemovalRule
from pipeline.definitions import Definitions

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
Kept = TypeVar("Kept")
NEVER = -1
_ROOM = 1 << 32  # a drain's minutes lie within one such block of keys
_DAY_LONG_AGO = np.int64(-(1 << 40))


@dataclass(frozen=True)
class Ready:
    """Of one rule, for each drain: positions of the first ready minute and of the unbroken end, or NEVER."""

    first: Whole
    since: Whole


@dataclass(frozen=True)
class Followed:
    """
    Of one rule, for each drain, what was seen after it became ready; zeros and NEVER where it never did.

    `seen`, `above`: minutes assessable, and of them above the limit. `returned`: minutes to the one that made
    the leak be back (`return_least` minutes above), or NEVER. `last`: minutes to the last assessable one.
    """

    seen: Whole
    above: Whole
    returned: Whole
    last: Whole


@dataclass
class RuleClock:
    """
    The observed minutes of drains (BEDSIDE) as arrays, and what rules ask of them, each clause once.

    A rule's clock runs over the minutes with a leak reading that counts. A clause is an array over these
    minutes; rules that share a limit share its array, so a grid of rules costs little more than its distinct
    clauses.

    Parameters
    ----------
    bedside
        BEDSIDE, sorted by drain and minute.
    drains
        `drain_id`, `origin_at`, sorted by `drain_id`; at least those of `bedside`.
    """

    bedside: pl.DataFrame
    drains: pl.DataFrame
    definitions: Definitions
    _kept: dict[tuple[object, ...], Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        place = self.drains.select("drain_id", place=pl.int_range(pl.len(), dtype=pl.Int64))
        rows = self.bedside.join(place, on="drain_id", how="left", maintain_order="left")
        self.drain = rows["place"].to_numpy()
        self.minute = _minutes(rows, "minute")
        self.key = self.drain * _ROOM + self.minute
        leak = rows["leak_ml_min"].to_numpy()
        self.on: Whole = np.flatnonzero(~np.isnan(leak)).astype(np.int64)
        self.leak = leak[self.on]
        self.on_minute = self.minute[self.on]
        self.stopped = rows["stopped_so_far"].to_numpy().astype(np.int32)[self.on]
        edges = np.searchsorted(self.drain[self.on], np.arange(self.drains.height + 1))
        self.starts, self.ends = edges[:-1], edges[1:]
        self.number = (np.arange(len(self.on)) - self.starts[self.drain[self.on]]).astype(np.int32)
        self.output = rows["output_so_far"].fill_null(NEVER).to_numpy()
        self.read = _minutes(rows, "read_at")
        self.breathed = _minutes(rows, "breathed_at")
        self.basis = rows["breathed_basis"]
        self.median = rows["leak_median_ml_min"].to_numpy()

    def ready(self, rule: RemovalRule) -> Ready:
        """When the rule first held for each drain, and since when without a break up to its last minute."""
        holds = self._leak_low(rule) & self._complete(rule)
        holds &= self._late_enough(rule.earliest_hours)
        if rule.output_hours is not None and rule.output_at_most is not None:
            holds &= self._dry(rule.output_hours, rule.output_at_most)
        if rule.tidaling_within_hours is not None:
            holds &= self._breathing(rule.tidaling_within_hours)
        first, since = (np.full(self.drains.height, NEVER, dtype=np.int64) for _ in range(2))
        for place, (start, end) in enumerate(zip(self.starts.tolist(), self.ends.tolist(), strict=True)):
            if start == end:
                continue
            own = holds[start:end]
            at = int(own.argmax())
            if not own[at]:
                continue
            first[place] = start + at
            if own[-1]:
                back = int(own[::-1].argmin())
                # argmin of nothing but True is 0: it held all along.
                since[place] = start if own[-1 - back] else end - back
        return Ready(self._row(first), self._row(since))

    def output_before(self, hours: float) -> Whole:
        """Fluid of the last hours at each minute of the clock, in steps; NEVER where not read so far."""

        def made() -> Whole:
            past = np.searchsorted(self.key, self.key[self.on] - round(hours * 60), side="right") - 1
            inside = (past >= 0) & (self.drain[past] == self.drain[self.on])
            known = inside & (self.output[past] >= 0) & (self.output[self.on] >= 0)
            return np.where(known, self.output[self.on] - self.output[past], NEVER)

        return self._once(("output", hours), made)

    def above_after(self, first: Whole, limit: float) -> Followed:
        """What was seen within `return_within` of each drain's first ready row, the leak's limit as given."""
        within = round(self.definitions.readiness.return_within * 60)
        some = first >= 0
        if not some.any():
            return Followed(*(np.full_like(first, fill) for fill in (0, 0, NEVER, 0)))
        key = self.key[np.where(some, first, 0)]
        low = np.searchsorted(self.key, key, side="right")
        high = np.searchsorted(self.key, key + within, side="right")

        def between(total: NDArray[np.int32]) -> Whole:
            return np.where(some, total[high] - total[low], 0).astype(np.int64)

        seen = self._once(("seen",), lambda: _running(~np.isnan(self.median)))
        above = self._once(("above", limit), lambda: _running(self.median > limit))
        least = self.definitions.readiness.return_least
        place = np.searchsorted(above, above[low] + least, side="left") - 1  # the row that makes it enough
        back = some & (place < high)
        returned = np.where(back, self.key[np.where(back, place, 0)] - key, NEVER)
        last = self._once(("last",), lambda: _latest(~np.isnan(self.median)))
        until = last[np.maximum(high - 1, 0)]
        watched = np.where(some & (until >= low) & (high > low), self.key[np.maximum(until, 0)] - key, 0)
        return Followed(between(seen), between(above), returned, watched)

    @cached_property
    def _origin(self) -> Whole:
        """First whole minute of each drain from its origin on; out of reach where there is none."""
        micros = self.drains["origin_at"].dt.timestamp("us").to_numpy()
        known = ~np.isnan(micros.astype(float))
        minutes = -(-np.where(known, micros, 0).astype(np.int64) // 60_000_000)
        return np.where(known, minutes, np.int64(1 << 40))

    def _leak_low(self, rule: RemovalRule) -> Flags:
        window = round(rule.leak_hours * 60)
        key = ("leak", window, rule.leak_at_most, rule.excursion_minutes, rule.excursion_up_to)

        def made() -> Flags:
            fine: Flags = self._above(rule.leak_at_most, window) <= rule.excursion_minutes
            if rule.excursion_minutes:
                fine &= self._above(rule.excursion_up_to, window) == 0
            fine &= self.number >= window - 1
            return fine

        return self._once(key, made)

    def _above(self, limit: float, window: int) -> NDArray[np.int32]:
        """How many of the last `window` minutes of the clock had more leak, from a drain's window-th on."""

        total = self._once(("more", limit), lambda: _running(self.leak > limit))
        counts = np.zeros(len(self.leak), dtype=np.int32)
        if len(counts) >= window:
            counts[window - 1 :] = total[window:] - total[:-window]
        return counts

    def _complete(self, rule: RemovalRule) -> Flags:
        window, least = round(rule.leak_hours * 60), rule.completeness_at_least

        def made() -> Flags:
            fine = np.zeros(len(self.on), dtype=np.bool_)
            if len(fine) >= window:
                back = len(fine) - window + 1
                elapsed = self.on_minute[window - 1 :] - self.on_minute[:back] + 1
                halted = self.stopped[window - 1 :] - self.stopped[:back]
                fine[window - 1 :] = window >= least * (elapsed - halted)
            return fine

        return self._once(("complete", window, least), made)

    def _late_enough(self, hours: float) -> Flags:
        def made() -> Flags:
            earliest: Whole = (self._origin + round(hours * 60))[self.drain[self.on]]
            late: Flags = self.on_minute >= earliest
            return late

        return self._once(("earliest", hours), made)

    def _dry(self, hours: float, most: float) -> Flags:
        steps = round(most * steps_per_unit(self.definitions.resolution.volume))

        def made() -> Flags:
            came = self.output_before(hours)
            fresh = self.on_minute - self.read[self.on] <= self.definitions.readiness.reading_within
            return (came >= 0) & (came <= steps) & fresh

        return self._once(("dry", hours, most), made)

    def _breathing(self, hours: float) -> Flags:
        return self._once(
            ("breathing", hours), lambda: self.on_minute - self.breathed[self.on] <= round(hours * 60)
        )

    def _row(self, position: Whole) -> Whole:
        """Positions on the clock as rows of the minutes."""
        found = position >= 0
        return np.where(found, self.on[np.where(found, position, 0)], NEVER) if len(self.on) else position

    def _once(self, key: tuple[object, ...], made: Callable[[], Kept]) -> Kept:
        if key not in self._kept:
            self._kept[key] = made()
        found: Kept = self._kept[key]
        return found


def _minutes(rows: pl.DataFrame, column: str) -> Whole:
    """Whole minutes since 1970, long ago where there is none."""
    stamp = rows[column].dt.timestamp("us") // 60_000_000
    return stamp.fill_null(int(_DAY_LONG_AGO)).to_numpy()


def _running(flags: Flags) -> NDArray[np.int32]:
    return np.concatenate([np.zeros(1, np.int32), np.cumsum(flags, dtype=np.int32)])


def _latest(flags: Flags) -> Whole:
    """Position of the last true one up to each."""
    return np.maximum.accumulate(np.where(flags, np.arange(len(flags), dtype=np.int64), NEVER))

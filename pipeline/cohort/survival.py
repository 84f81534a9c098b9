"""How long leaks last: Kaplan–Meier curves and cumulative incidence, with late entry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from pipeline.definitions import Definitions, load_definitions
from schemas.views import LEAK_INCIDENCE, LEAK_SURVIVAL
from schemas.vocabulary import RemovalReason

_COMPETING = (RemovalReason.DIED.value, RemovalReason.TRANSFERRED_WITH_DRAIN.value)
_MINUTES = 60


@dataclass(frozen=True)
class Counts:
    """At each distinct time, in minutes: who was at risk just before, and what happened then."""

    times: NDArray[np.int64]
    at_risk: NDArray[np.int64]
    ended: NDArray[np.int64]
    competing: NDArray[np.int64]
    censored: NDArray[np.int64]


def leak_survival(drain: pl.DataFrame, definitions: Definitions | None = None) -> pl.DataFrame:
    """
    Kaplan–Meier curve of the time to the leak's end, by site and overall (LEAK_SURVIVAL; site null).

    The event is the end of the last leak, at `leak_hours`; a leak ongoing or unconfirmed is censored where
    it was last seen on, deaths and transfers among them. Drains watched from the origin that never leaked
    end at 0 h: that row shows them apart, and the curve divided by its value there is the duration among
    those that leaked. Drains whose log begins late enter late (left truncation), so those left out are
    not read as short leaks; where such a log shows no leak, the leak may have ended before, and the drain
    is not in the curve. Tubes that share a use by a Y-connector show one leak and count once. Bounds:
    Greenwood's variance on the log(−log) scale (Kalbfleisch and Prentice 1980); null where the curve is
    1 or 0, for there it says nothing.

    Parameters
    ----------
    drain
        DRAIN.
    definitions
        Level of the bounds and what counts as late; without, the shipped ones.
    """
    known = definitions or load_definitions()
    rows = _observations(drain, known.leak.late_entry)
    curves = [_survival_curve(site, counts, known.statistics.level) for site, counts in _by_site(rows)]
    return LEAK_SURVIVAL.conform(pl.concat([LEAK_SURVIVAL.empty(), *curves]))


def leak_incidence(drain: pl.DataFrame, definitions: Definitions | None = None) -> pl.DataFrame:
    """
    Cumulative incidence of the leak's end (Aalen–Johansen), by site and overall (LEAK_INCIDENCE).

    Death and transfer with the drain in while the leak was on compete: after them the leak's end cannot be
    seen, and treating them as censoring would pretend that it still might. Other ways out (discharge with
    the drain, accidental removal, replacement, a log that just ends) are censoring: the leak goes on, only
    unwatched. `still_leaking` is the share met by neither; `incidence` is that of the leak's end, with
    bounds by the delta method on the log(−log) scale (Marubini and Valsecchi 1995; the formula that SAS
    and lifelines use), null where the incidence is 0 or 1. The same drains as in `leak_survival`.
    """
    known = definitions or load_definitions()
    rows = _observations(drain, known.leak.late_entry)
    curves = [_incidence_curve(site, counts, known.statistics.level) for site, counts in _by_site(rows)]
    return LEAK_INCIDENCE.conform(pl.concat([LEAK_INCIDENCE.empty(), *curves]))


def counts_of(entry: NDArray[np.int64], exit_: NDArray[np.int64], event: NDArray[np.int64]) -> Counts:
    """
    Count who is at risk and what happens at each distinct exit time.

    Somebody is at risk at t if entered before t (or at 0, when t is 0) and not out before t; events come
    before censoring at the same time.

    Parameters
    ----------
    event
        1: the leak ended; 2: a competing event; 0: censored.
    """
    times = np.unique(exit_)
    entered = np.searchsorted(np.sort(entry), times, side="left")
    entered = np.where(times == 0, np.count_nonzero(entry == 0), entered)
    gone = np.searchsorted(np.sort(exit_), times, side="left")

    def at_times(kind: int) -> NDArray[np.int64]:
        where = np.searchsorted(times, exit_[event == kind])
        return np.bincount(where, minlength=len(times)).astype(np.int64)

    return Counts(times, (entered - gone).astype(np.int64), at_times(1), at_times(2), at_times(0))


def kaplan_meier(counts: Counts, level: float) -> tuple[NDArray[np.float64], ...]:
    """Share still leaking just after each time, with its lower and upper bound (NaN at 1 and 0)."""
    d, n = counts.ended.astype(float), counts.at_risk.astype(float)
    survival = np.cumprod(1 - d / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.cumsum(d / (n * (n - d)))
        error = np.where(survival > 0, survival * np.sqrt(variance), np.nan)
    low, high = _log_log(survival, error, level)
    return survival, low, high


def aalen_johansen(counts: Counts, level: float) -> tuple[NDArray[np.float64], ...]:
    """Share met by nothing yet, incidence of the leak's end, and the incidence's bounds (NaN at 0 and 1)."""
    n, d1 = counts.at_risk.astype(float), counts.ended.astype(float)
    d = d1 + counts.competing
    free = np.cumprod(1 - d / n)
    before = np.concatenate([[1.0], free[:-1]])
    incidence = np.cumsum(before * d1 / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(d > 0, d / (n * (n - d)), 0.0)
    second = np.cumsum(before**2 * d1 * (n - d1) / n**3)
    third = before * d1 / n**2
    # Sums over all earlier times of (F(t) − F(u))² a(u) and (F(t) − F(u)) c(u), by expanding the brackets.
    with np.errstate(invalid="ignore"):
        squares = _running(first, incidence, 2)
        lines = _running(third, incidence, 1)
    variance = squares + second - 2 * lines
    low, high = _log_log(incidence, np.sqrt(np.maximum(variance, 0)), level)
    return free, incidence, low, high


def _running(weight: NDArray[np.float64], curve: NDArray[np.float64], power: int) -> NDArray[np.float64]:
    finite = np.where(np.isfinite(weight), weight, 0.0)  # the last risk set empties: its own term is 0 · ∞
    zero, one = np.cumsum(finite), np.cumsum(finite * curve)
    if power == 1:
        return np.asarray(curve * zero - one, dtype=np.float64)
    two = np.cumsum(finite * curve**2)
    return np.asarray(curve**2 * zero - 2 * curve * one + two, dtype=np.float64)


def _log_log(
    estimate: NDArray[np.float64], error: NDArray[np.float64], level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    z = float(norm.ppf((1 + level) / 2))
    inside = (estimate > 0) & (estimate < 1)
    p = np.where(inside, estimate, 0.5)
    with np.errstate(invalid="ignore", over="ignore"):
        spread = z * np.where(inside, error, 0.0) / (p * np.abs(np.log(p)))
        ends = np.array([p ** np.exp(spread), p ** np.exp(-spread)])
    low, high = np.where(inside, ends, np.nan)
    return low, high


def _observations(drain: pl.DataFrame, late_entry: int) -> pl.DataFrame:
    """One row a drain in the curves: site, entry and exit in whole minutes since the origin, event."""
    ended = pl.col("leak_hours").is_not_null()
    seen_on = (pl.col("leak_end_earliest_at") - pl.col("origin_at")).dt.total_microseconds() / 60_000_000
    out = pl.when(ended).then(pl.col("leak_hours") * _MINUTES).otherwise(seen_on).round().cast(pl.Int64)
    entered = (pl.col("entered_hours") * _MINUTES).round().cast(pl.Int64)
    competing = pl.col("leak_ongoing_at_end") & pl.col("removal_reason").is_in(list(_COMPETING))
    return (
        drain.select(
            "site",
            "drain_id",
            leak=pl.when("shared_use").then(pl.coalesce("operation_id", "drain_id")).otherwise("drain_id"),
            entry=pl.when(entered <= late_entry).then(0).otherwise(entered),
            exit=out,
            event=pl.when(ended).then(1).when(competing).then(2).otherwise(0),
        )
        .filter(
            pl.col("exit").is_not_null()
            & ((pl.col("entry") < pl.col("exit")) | ((pl.col("entry") == 0) & (pl.col("exit") == 0)))
        )
        # Tubes joined by a Y-connector show one leak, not two: the one watched longest stands for it.
        .sort("site", "leak", "exit", "entry", "drain_id")
        .unique(["site", "leak"], keep="last", maintain_order=True)
        .sort("site", "exit", "entry", "event", "drain_id")
    )


def _by_site(rows: pl.DataFrame) -> list[tuple[str | None, Counts]]:
    def counts(part: pl.DataFrame) -> Counts:
        entry, exit_, event = (part[name].to_numpy().astype(np.int64) for name in ("entry", "exit", "event"))
        return counts_of(entry, exit_, event)

    if rows.is_empty():
        return []
    sites = rows["site"].unique().sort().to_list()
    return [(None, counts(rows)), *((site, counts(rows.filter(site=site))) for site in sites)]


def _frame(site: str | None, counts: Counts, columns: dict[str, NDArray[np.float64]]) -> pl.DataFrame:
    frame = pl.DataFrame(
        {
            "hours": counts.times / _MINUTES,
            "at_risk": counts.at_risk,
            "ended": counts.ended,
            **{name: pl.Series(values, nan_to_null=True) for name, values in columns.items()},
        }
    )
    return frame.with_columns(site=pl.lit(site, dtype=pl.String))


def _survival_curve(site: str | None, counts: Counts, level: float) -> pl.DataFrame:
    survival, low, high = kaplan_meier(counts, level)
    frame = _frame(site, counts, {"still_leaking": survival, "low": low, "high": high})
    # Here a competing event is censoring like any other.
    return LEAK_SURVIVAL.conform(frame.with_columns(censored=pl.Series(counts.censored + counts.competing)))


def _incidence_curve(site: str | None, counts: Counts, level: float) -> pl.DataFrame:
    free, incidence, low, high = aalen_johansen(counts, level)
    columns = {"still_leaking": free, "incidence": incidence, "low": low, "high": high}
    frame = _frame(site, counts, columns).with_columns(censored=pl.Series(counts.censored + counts.competing))
    return LEAK_INCIDENCE.conform(frame)

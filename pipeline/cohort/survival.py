"""How long leaks last: whom the curves count, from when until when, and the published curves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.cohort.curves import Counts, Reals, aalen_johansen, counts_of, kaplan_meier
from pipeline.definitions import Definitions, load_definitions
from schemas.views import LEAK_INCIDENCE, LEAK_SURVIVAL
from schemas.vocabulary import RemovalReason

_COMPETING = (RemovalReason.DIED.value, RemovalReason.TRANSFERRED_WITH_DRAIN.value)
MINUTES = 60
_ENDED, _MET_A_COMPETING_EVENT, _CENSORED = 1, 2, 0


def leak_survival(drain: pl.DataFrame, definitions: Definitions | None = None) -> pl.DataFrame:
    """
    Kaplan–Meier curve of the time to the leak's end, by site and overall (LEAK_SURVIVAL; site null).

    It counts what `leak_times` does. Those watched from the origin that never leaked end at 0 h: that row
    shows them apart, and the curve divided by its value there is the duration among those that leaked. Bounds
    as in `kaplan_meier`; null where the curve is 1 or 0, and from where nobody was watched.

    Parameters
    ----------
    drain
        DRAIN.
    definitions
        Level of the bounds and what counts as late; without, the shipped ones.
    """
    known = definitions or load_definitions()
    rows = leak_times(drain, known.leak.late_entry)
    curves = [_survival_curve(site, counts, known.statistics.level) for site, counts in by_site(rows)]
    return LEAK_SURVIVAL.conform(pl.concat([LEAK_SURVIVAL.empty(), *curves]))


def leak_incidence(drain: pl.DataFrame, definitions: Definitions | None = None) -> pl.DataFrame:
    """
    Cumulative incidence of the leak's end (Aalen–Johansen), by site and overall (LEAK_INCIDENCE).

    Death and transfer with the drain in while the leak was on compete: after them the leak's end cannot be
    seen, and treating them as censoring would pretend that it still might. Other ways out (discharge with
    the drain, accidental removal, replacement, a log that just ends) are censoring: the leak goes on, only
    unwatched. `ended`, `competing` and `censored` count the three apart. `still_leaking` is the share met by
    neither; `incidence` is that of the leak's end, with bounds as in `aalen_johansen`. It counts the same as
    `leak_survival`.
    """
    known = definitions or load_definitions()
    rows = leak_times(drain, known.leak.late_entry)
    curves = [_incidence_curve(site, counts, known.statistics.level) for site, counts in by_site(rows)]
    return LEAK_INCIDENCE.conform(pl.concat([LEAK_INCIDENCE.empty(), *curves]))


def leak_times(
    drain: pl.DataFrame | pl.LazyFrame, late_entry: int, apart: Sequence[str] = ()
) -> pl.DataFrame:
    """
    One row an operation (a drain where patients are not known) whose leak was watched.

    A drain's leak is watched from its origin, or from the first minute of a log that begins later than
    `late_entry`; to the end of its last leak, or to where it was last seen on if it was on at the end or its
    end is not confirmed (right-censored there, deaths and transfers among them). A log that begins late and
    shows no leak is left-censored and not in it: the leak may have ended before.

    An operation's leak is the longest of its drains'. It has ended when that of each of them has; it is
    watched from the first that was. One of which nothing is known leaves it censored at the last of the
    others.

    Parameters
    ----------
    drain
        DRAIN, or its rows with the leak's columns of another definition.
    late_entry
        Minutes, see `[leak]`.
    apart
        Columns whose values are looked at each for itself, such as the definition; they come first.

    Returns
    -------
    `counted_id`, `site`, `unit`, `procedure`, `side` (of the drain that went in first), `drains` (ids of
    its drains), `entry`, `exit` (minutes since the origin), `event` (1: ended, 2: died or transferred while
    leaking, 0: censored); sorted.
    """
    ended = pl.col("leak_hours").is_not_null()
    seen_on = (pl.col("leak_end_earliest_at") - pl.col("origin_at")).dt.total_microseconds() / 60_000_000
    out = pl.when(ended).then(pl.col("leak_hours") * MINUTES).otherwise(seen_on).round().cast(pl.Int64)
    entered = (pl.col("entered_hours") * MINUTES).round().cast(pl.Int64)
    entry = pl.when(entered <= late_entry).then(0).otherwise(entered)
    competing = (pl.col("leak_ongoing_at_end") & pl.col("removal_reason").is_in(list(_COMPETING))).fill_null(
        False
    )
    watched = (
        (pl.col("entry") < pl.col("exit")) | ((pl.col("entry") == 0) & (pl.col("exit") == 0))
    ).fill_null(False)
    one = pl.col("tube_in_at"), pl.col("drain_id")
    return (
        drain.lazy()
        .with_columns(counted_id=pl.coalesce("operation_id", "drain_id"), entry=entry, exit=out, ended=ended)
        .with_columns(watched=watched, competing=competing)
        .sort(*apart, "counted_id", *one, nulls_last=True)
        .group_by(*apart, "counted_id", maintain_order=True)
        .agg(
            pl.col("site", "unit").first(),
            pl.col("procedure").drop_nulls().first(),
            pl.col("side").first(),
            drains=pl.col("drain_id"),
            entry=pl.col("entry").filter("watched").min(),
            exit=pl.col("exit").filter("watched").max(),
            event=pl.when((pl.col("competing") & pl.col("watched")).any())
            .then(_MET_A_COMPETING_EVENT)
            .when((pl.col("ended") & pl.col("watched")).all())
            .then(_ENDED)
            .otherwise(_CENSORED),
        )
        .filter(pl.col("exit").is_not_null())
        .sort(*apart, "site", "exit", "entry", "event", "counted_id")
        .collect()
    )


def counts_in(rows: pl.DataFrame) -> Counts:
    """Rows of `leak_times` counted at each of their times."""
    return counts_of(*(rows[name].to_numpy().astype(np.int64) for name in ("entry", "exit", "event")))


def by_site(rows: pl.DataFrame) -> list[tuple[str | None, Counts]]:
    """All sites (null), then each."""
    if rows.is_empty():
        return []
    # Rows of a site may lie apart: no order of them is asked for.
    sites = (
        rows.select("site", "entry", "exit", "event").sort("site").partition_by("site", maintain_order=True)
    )
    return [(None, counts_in(rows)), *((part["site"][0], counts_in(part)) for part in sites)]


def _frame(site: str | None, counts: Counts, columns: dict[str, Reals]) -> pl.DataFrame:
    frame = pl.DataFrame(
        {
            "hours": counts.times / MINUTES,
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
    frame = _frame(site, counts, columns).with_columns(
        competing=pl.Series(counts.competing), censored=pl.Series(counts.censored)
    )
    return LEAK_INCIDENCE.conform(frame)

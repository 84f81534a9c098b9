"""
The figures of the evaluation: from what the ledger says beside what is true to one line each.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s. What cannot be measured on
the minutes or drains given (nothing of the kind happened) yields a figure without a value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import polars as pl

from tests.evaluation.evaluate_figures import DAY, Figure
from tests.evaluation.evaluate_flags import flags
from tests.evaluation.evaluate_fleets import Beside
from tests.evaluation.evaluate_fluid import canisters, fluid, surges
from tests.evaluation.evaluate_grades import grades
from tests.evaluation.evaluate_leaks import leak_end
from tests.evaluation.evaluate_shut import shut_lines
from tests.evaluation.evaluate_stops import clamps, occlusions, stops, suspicions

_CODE = pl.col("code").str.strip_prefix("other:")


def outcomes(beside: Beside) -> Iterator[Figure]:
    """Prolonged leak: what an honest ledger can know, against what is said."""
    d = beside.drains.filter(~pl.col("story").is_in(["wrong_dates"]))
    told, can = pl.col("prolonged_leak"), pl.col("expected_prolonged_leak")
    for was in ("yes", "no", "unknown"):
        for said in ("yes", "no", "unknown"):
            count = d.filter(can == was, told == said).height
            wrong = {was, said} == {"yes", "no"}
            yield Figure(
                f"outcome: knowable {was}, told {said}",
                float(count),
                f"{d.filter(can == was).height} drains",
                at_most=0 if wrong else None,
            )


def alerts(beside: Beside) -> Iterator[Figure]:
    """Alerts whose start, end and time to clear were all to be seen, and times to clear that nobody saw."""
    stepped = beside.logged.filter(pl.col("clock_kind") == "stepped")["stay"].unique()
    m = beside.minutes.filter(~pl.col("stay").is_in(stepped.implode())).sort("use_id", "minute")
    rings = (
        m.select("use_id", "true_minute", "minute", alert=pl.col("true_alerts"), place=pl.int_range(pl.len()))
        .explode("alert")
        .drop_nulls("alert")
        .with_columns(code=pl.col("alert").str.strip_prefix("other:"))
        .sort("use_id", "code", "place")
    )
    new = (
        (pl.col("use_id") != pl.col("use_id").shift(1))
        | (pl.col("code") != pl.col("code").shift(1))
        | (pl.col("true_minute") - pl.col("true_minute").shift(1) != pl.duration(minutes=1))
    ).fill_null(True)
    true = (
        rings.with_columns(run=new.cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("use_id", "code").first(),
            first=pl.col("place").first(),
            last=pl.col("place").last(),
            started_at=pl.col("minute").first(),
            length=pl.len().cast(pl.Int32),
        )
    )
    # Seen whole: the minutes just before and after are in the log, of the same use.
    around = m.select("use_id", "true_minute")

    def beside_it(column: str, by: int) -> pl.Series:
        at = (true[column] + by).clip(0, max(m.height - 1, 0))
        near, own = around[at], around[true[column]]
        apart = (near["true_minute"] - own["true_minute"]).dt.total_minutes()
        return (near["use_id"] == own["use_id"]) & (apart == by)

    if true.height:
        true = true.with_columns(whole=beside_it("first", -1) & beside_it("last", 1))
    else:
        true = true.with_columns(whole=pl.lit(True))
    told = beside.alerts.filter(~pl.col("stay").is_in(stepped.implode())).select(
        "use_id", _CODE, "started_at", "minutes_to_clear", ended="ended_at"
    )
    met = true.filter("whole").join(told, on=["use_id", "code", "started_at"], how="left")
    exact = ((pl.col("ended") - pl.col("started_at")).dt.total_minutes() == pl.col("length")) & (
        pl.col("minutes_to_clear") == pl.col("length")
    )
    of = f"{met.height} alerts seen whole"
    share = met.select(exact.fill_null(False).mean()).item() if met.height else None
    yield Figure("alerts: start, end and time to clear exact", share, of, 0.98)
    starts = true.select("use_id", "code", "started_at").with_columns(true=pl.lit(True))
    made_up = told.join(starts, on=["use_id", "code", "started_at"], how="anti")
    yield Figure("alerts: made up", float(made_up.height), f"{told.height} told", at_most=0)
    cleared = told.filter(pl.col("minutes_to_clear").is_not_null()).join(
        true.filter("whole"), on=["use_id", "code", "started_at"], how="left"
    )
    unseen = cleared.filter(pl.col("length").is_null() | (pl.col("length") != pl.col("minutes_to_clear")))
    # A use that begins with its self-check was seen to begin: what rings from its first minute is whole.
    yield Figure(
        "alerts: times to clear that nobody saw", float(unseen.height), f"{cleared.height} told", at_most=None
    )


def tidaling(beside: Beside) -> Iterator[Figure]:
    """Running minutes by verdict; a swing between 0.35 and 0.75 cm[H2O] is called neither way."""
    m = beside.minutes.filter("true_running", pl.col("state") == "run")
    swing = pl.col("true_swing_cmh2o")
    m = m.with_columns(
        truth=pl.when(swing >= 0.75).then(pl.lit("present")).when(swing <= 0.35).then(pl.lit("absent"))
    )
    for verdict in ("present", "absent"):
        told = m.filter(pl.col("tidaling") == verdict, pl.col("truth").is_not_null())
        yield Figure(
            f"tidaling {verdict}: true where told",
            (told["truth"] == verdict).mean(),
            f"{told.height} min told",
        )
        true = m.filter(pl.col("truth") == verdict)
        yield Figure(
            f"tidaling {verdict}: told where true",
            (true["tidaling"] == verdict).mean(),
            f"{true.height} min true",
        )
    for verdict in ("indeterminate", "not_assessable"):
        yield Figure(
            f"tidaling {verdict}: share of running", (m["tidaling"] == verdict).mean(), f"{m.height} min"
        )
    decided = m.filter(pl.col("tidaling").is_in(["present", "absent"])).sort("stay", "true_minute")
    switched = decided.filter(
        pl.col("tidaling") != pl.col("tidaling").shift(1), pl.col("stay") == pl.col("stay").shift(1)
    )
    false = switched.filter(pl.col("truth").is_not_null(), pl.col("tidaling") != pl.col("truth")).height
    days = m.height / DAY
    yield Figure(
        "tidaling: false switches per day",
        false / days if days else None,
        f"{days:.0f} days running",
        at_most=1.0,
    )
    yield from _edges(m)


def _edges(m: pl.DataFrame) -> Iterator[Figure]:
    """Where breathing stops or begins at a stroke: how far from it the verdict changes."""
    m = m.sort("stay", "true_minute")
    steady = 15
    key = ["stay"]
    ahead = pl.col("truth").shift(-steady + 1).over(key)
    edges = m.with_row_index("at").filter(
        pl.col("truth").is_not_null(),
        pl.col("truth") != pl.col("truth").shift(1).over(key),
        pl.col("truth").shift(1).over(key) == pl.col("truth").shift(steady).over(key),
        ahead == pl.col("truth"),
        (pl.col("true_minute") - pl.col("true_minute").shift(steady).over(key))
        == pl.duration(minutes=steady),
    )
    times = m["true_minute"]
    verdicts, stays, errors = m["tidaling"], m["stay"], []
    for at, truth, stay in edges.select("at", "truth", "stay").iter_rows():
        window = range(max(at - 30, 0), min(at + 31, m.height))
        offs = [
            (times[place] - times[at]).total_seconds() / 60
            for place in window
            if stays[place] == stay and place and verdicts[place] == truth and verdicts[place - 1] != truth
        ]
        errors.append(min((abs(off) for off in offs), default=30.0))
    told = pl.Series(errors, dtype=pl.Float64)
    of = f"{len(told)} edges; one not told within half an hour counts 30"
    yield Figure("tidaling: edge error, median, min", told.median(), of)
    yield Figure("tidaling: edge error, 95th percentile, min", told.quantile(0.95), of)


def time(beside: Beside) -> Iterator[Figure]:
    """Logged minutes that the ledger has, and has where they belong."""
    logged = beside.logged
    yield Figure(
        "time: logged minutes that came through", logged["through"].mean(), f"{logged.height} min", 0.999
    )
    for kind, target in (("right", 0.999), ("no summer time", None), ("stepped", None)):
        some = logged.filter(pl.col("clock_kind") == kind, "through")
        yield Figure(
            f"time: at their true minute, clock {kind}",
            some["on_time"].mean(),
            f"{some.height} min",
            target,
        )


SCORES: tuple[Callable[[Beside], Iterator[Figure]], ...] = (
    flags,
    grades,
    clamps,
    stops,
    occlusions,
    suspicions,
    shut_lines,
    fluid,
    canisters,
    leak_end,
    outcomes,
    alerts,
    tidaling,
    surges,
    time,
)


def scored(beside: Beside) -> list[Figure]:
    """All figures, in order."""
    return [figure for score in SCORES for figure in score(beside)]

"""
What is told of every minute in which the line was truly shut, and what its zeros do to the lung's leak.

Takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation.evaluate_figures import Figure, runs
from tests.evaluation.evaluate_fleets import Beside

# A trace's verdict holds so long: until then breathing may still be told of a line that was just shut.
HOLDS = pl.duration(minutes=10)
_ZEROS_COUNT = (
    "only a stop that is named takes its minutes out; behind a possible occlusion and behind absence the zeros count, "
    "for a lung that seals at once looks the same"
)


def shut_lines(beside: Beside) -> Iterator[Figure]:
    """
    What is told of every running minute in which the line was truly clamped or blocked: shares that add up to 1.

    The first that holds counts. Breathing told is wrong; up to ten minutes after the line was shut it may be
    the last trace's verdict, which still holds, and is counted apart. What counts for the lung's leak, and
    a lung told free of leak while it leaks behind a shut line, which is wrong as well, follow.
    """
    m = beside.minutes.filter(pl.col("state") == "run").sort("stay", "true_minute")
    blocked = pl.col("true_occluded") & ~pl.col("true_kinked")
    for name, shut in (("clamped", pl.col("true_clamped")), ("occluded", blocked)):
        found = runs(m.filter(shut), apart=1).agg(pl.all(), began=pl.col("true_minute").first())
        true = found.explode(pl.exclude("run", "began"))
        fresh = pl.col("true_minute") - pl.col("began") < HOLDS
        breathing = pl.col("tidaling") == "present"
        said: tuple[tuple[str, pl.Expr], ...] = (
            ("told clamped", pl.col("clamped")),
            ("told an occlusion suspected", pl.col("occlusion_suspected")),
            ("told flow stopped, cause unknown", pl.col("flow_stopped")),
            ("told no breathing, cause undetermined", pl.col("tidaling") == "absent"),
            ("told undecided", pl.col("tidaling") == "indeterminate"),
            ("told not assessable", pl.col("tidaling") == "not_assessable"),
            ("breathing told, at most 10 min after", breathing & fresh),
            ("breathing told later: wrong", breathing),
        )
        first = pl.coalesce(pl.when(holds.fill_null(False)).then(pl.lit(what)) for what, holds in said)
        counted = dict(true.select(first.alias("said"))["said"].value_counts().iter_rows())
        for what, _ in said:
            share = counted.get(what, 0) / true.height if true.height else None
            yield Figure(f"{name}: minutes {what}", share, f"{true.height} min true")
        yield from _counted_for_the_lung(true, name)


def _counted_for_the_lung(true: pl.DataFrame, name: str) -> Iterator[Figure]:
    """Minutes of a line that was shut which stand for the lung, and the wrong freedom from leak that is told so."""
    of = f"{true.height} min true"
    counts = true["assessable"].mean()
    yield Figure(f"{name}: minutes that count for the lung's leak", counts, of, why=_ZEROS_COUNT)
    free = (~pl.col("leak_on") & pl.col("true_leaking")).fill_null(False)
    wrong = true.select(free.mean()).item() if true.height else None
    what = f"{name}: minutes told free of leak while the lung leaked: wrong"
    yield Figure(what, wrong, of, why=_ZEROS_COUNT)
    leaked = true.filter("true_leaking")
    wrong = leaked.select(free.mean()).item() if leaked.height else None
    yield Figure(
        f"{name}: the same, of the minutes in which the lung leaked", wrong, f"{leaked.height} min true"
    )


def shut_for_a_change() -> pl.Expr:
    """A line shut while a canister is changed on a running drain: a clamp, though the truth has no word for it."""
    open_tube = ~(pl.col("true_occluded") | pl.col("true_line_open"))
    return pl.col("true_running") & open_tube & (pl.col("true_swing_cmh2o") == 0)

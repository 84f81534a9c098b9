"""
Flags, clamps and occlusions of simulated drains against the truth, and what is told where a stop cannot be named.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation import evaluate_claimable as claimable
from tests.evaluation.evaluate_figures import DAY, Figure, precision_and_recall
from tests.evaluation.evaluate_fleets import Beside

# A trace's verdict holds so long: until then breathing may still be told of a line that was just shut.
HOLDS = pl.duration(minutes=10)


def flags(beside: Beside) -> Iterator[Figure]:
    """The flags that are scored by minutes, on minutes where the log could tell."""
    m = beside.minutes
    running = m.filter(pl.col("state") == "run")
    upright = m.filter(pl.col("tilt_deg").is_not_null())
    yield from precision_and_recall(upright, pl.col("tilted"), pl.col("true_tilted"), "tilted")
    yield from precision_and_recall(m, pl.col("paused"), pl.col("true_paused"), "paused")
    # Where the log cannot tell an open line from a large leak, it says so; those minutes are scored apart.
    resolved = pl.col("line_open_grade").is_null()
    yield from precision_and_recall(
        running.filter(resolved),
        pl.col("suction_shortfall"),
        pl.col("true_suction_short"),
        "suction_shortfall",
    )
    yield from precision_and_recall(
        running, pl.col("line_open") & resolved, pl.col("true_line_open") & resolved, "line_open"
    )
    asked = running.filter("line_open", ~resolved)
    yield Figure(
        "line_open: unresolved minutes that were open",
        asked.select(pl.col("true_line_open").mean()).item() if asked.height else None,
        f"{asked.height} min told unresolved",
    )
    missed = running.filter("true_line_open").select(pl.col("line_open").mean()).item()
    yield Figure(
        "line_open: recall, unresolved minutes counted",
        missed,
        f"{running.filter('true_line_open').height} min",
    )
    shut = pl.col("true_clamped")
    yield from clamps(beside)
    yield from precision_and_recall(
        running, pl.col("clamped_noted"), shut, "clamped, with what staff noted", None
    )
    left_open = pl.any_horizontal("clamped", "flow_stopped", "occlusion_suspected")
    while_shut = running.filter(shut)
    yield Figure(
        "clamped: told clamped, stopped or suspected",
        while_shut.select(left_open.mean()).item() if while_shut.height else None,
        f"{while_shut.height} min true",
    )
    counted = while_shut.filter("assessable")
    yield Figure(
        "clamped: minutes that count for the lung's leak",
        counted.height / while_shut.height if while_shut.height else None,
        f"{while_shut.height} min true",
    )
    known = m.filter(pl.col("leak_on").is_not_null())
    yield from precision_and_recall(known, pl.col("leak"), pl.col("true_leaking"), "leak on")


def clamps(beside: Beside) -> Iterator[Figure]:
    """Clamped minutes told: of all true ones, and of those that the definition can claim (see there)."""
    running = beside.minutes.filter(pl.col("state") == "run")
    _, recall = precision_and_recall(running, pl.col("clamped"), pl.col("true_clamped"), "clamped", None)
    precision, _ = precision_and_recall(
        running, pl.col("clamped"), pl.col("true_clamped") | _shut_for_a_change(), "clamped", None
    )
    told = true = episodes = 0
    for frame, one in claimable.clamps(beside.minutes, beside.unlogged):
        if one.claimable:
            shut = frame[one.first : one.last + 1].filter(pl.col("state") == "run")
            told, true, episodes = told + int(shut["clamped"].sum()), true + shut.height, episodes + 1
    yield Figure(precision.what, precision.value, precision.of, 0.95)
    share = told / true if true else None
    yield Figure(
        "clamped: recall, what the definition can claim", share, f"{true} min, {episodes} clamps", 0.95
    )
    yield Figure("clamped: recall, of all true", recall.value, recall.of)


def _shut_for_a_change() -> pl.Expr:
    """A line shut while a canister is changed on a running drain: a clamp, though the truth has no word for it."""
    open_tube = ~(pl.col("true_occluded") | pl.col("true_line_open"))
    return pl.col("true_running") & open_tube & (pl.col("true_swing_cmh2o") == 0)


def occlusions(beside: Beside) -> Iterator[Figure]:
    """Occlusions found, by the log alone, and suspicions of none."""
    could = [
        bool(frame[one.first : one.last + 1]["occlusion_suspected"].any())
        for frame, one in claimable.occlusions(beside.minutes, beside.unlogged)
        if one.claimable
    ]
    yield Figure(
        "occlusion_suspected: found, what the definition can claim",
        sum(could) / len(could) if could else None,
        f"{len(could)} occlusions of 45 min or more",
        0.90,
    )
    m = beside.minutes.sort("stay", "true_minute")
    shut = _runs(m.filter(pl.col("true_occluded") & ~pl.col("true_kinked")), apart=60).agg(
        length=(pl.col("true_minute").max() - pl.col("true_minute").min()).dt.total_minutes() + 1,
        running=pl.col("true_running").sum(),
        found=pl.col("occlusion_suspected").any(),
        stopped=pl.col("flow_stopped").any(),
    )
    shut = shut.filter(pl.col("length") >= 45, pl.col("running") >= 45)
    of = f"{shut.height} occlusions of 45 min or more"
    yield Figure("occlusion_suspected: found, of all true", shut["found"].mean(), of)
    yield Figure(
        "occlusion_suspected: found or shown as flow stopped", (shut["found"] | shut["stopped"]).mean(), of
    )
    obstructed = pl.any_horizontal("true_occluded", "true_damped", "true_clamped")
    raised = _runs(m.filter("occlusion_suspected"), apart=1).agg(
        right=obstructed.any(), scenario=pl.col("scenario").first()
    )
    false = raised.filter(~pl.col("right"))
    days = m.height / DAY
    yield Figure(
        "occlusion_suspected: false per 100 drain-days",
        100 * false.height / days if days else None,
        f"{raised.height} raised in {days:.0f} drain-days",
        at_most=1.0,
    )
    for scenario, target in (("re_expansion", 0.0), ("seals_at_once", None)):
        seen = m.filter(pl.col("scenario") == scenario)
        yield Figure(
            f"occlusion_suspected: false in {scenario.replace('_', ' ')}",
            float(false.filter(pl.col("scenario") == scenario).height) if seen.height else None,
            f"{seen['stay'].n_unique()} drains",
            at_most=target,
        )


def shut_lines(beside: Beside) -> Iterator[Figure]:
    """
    What is told of every running minute in which the line was truly clamped or blocked: shares that add up to 1.

    The first that holds counts. Breathing told is wrong; up to ten minutes after the line was shut it may be
    the last trace's verdict, which still holds, and is counted apart. A lung told free of leak while it leaks
    behind a shut line is wrong as well.
    """
    m = beside.minutes.filter(pl.col("state") == "run").sort("stay", "true_minute")
    blocked = pl.col("true_occluded") & ~pl.col("true_kinked")
    for name, shut in (("clamped", pl.col("true_clamped")), ("occluded", blocked)):
        runs = _runs(m.filter(shut), apart=1).agg(pl.all(), began=pl.col("true_minute").first())
        true = runs.explode(pl.exclude("run", "began"))
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
        of = f"{true.height} min true"
        for what, _ in said:
            share = counted.get(what, 0) / true.height if true.height else None
            yield Figure(f"{name}: minutes {what}", share, of)
        free = (~pl.col("leak_on") & pl.col("true_leaking")).fill_null(False)
        wrong = true.select(free.mean()).item() if true.height else None
        yield Figure(f"{name}: minutes told free of leak while the lung leaked: wrong", wrong, of)


def _runs(minutes: pl.DataFrame, apart: int) -> pl.dataframe.group_by.GroupBy:
    """Minutes of one stay, sorted, as runs: a new one where the next is more than so many minutes later."""
    new = (pl.col("stay") != pl.col("stay").shift(1)) | (
        pl.col("true_minute") - pl.col("true_minute").shift(1) > pl.duration(minutes=apart)
    )
    return minutes.with_columns(run=new.fill_null(True).cast(pl.Int64).cum_sum()).group_by(
        "run", maintain_order=True
    )

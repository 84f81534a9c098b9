"""
Clamps, stops and occlusions of simulated drains against the truth.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation import evaluate_claimable as claimable
from tests.evaluation.evaluate_figures import DAY, Figure, precision_and_recall, runs
from tests.evaluation.evaluate_fleets import Beside
from tests.evaluation.evaluate_shut import shut_for_a_change

_UNCLAIMED_CLAMP = (
    "a clamp that outlasts `clamp.return_within`, that nobody's hand began, or where neither leak nor breath was there "
    "to stop cannot be told from an unknown stop; it shows as flow_stopped, occlusion_suspected or absent tidaling"
)
_UNCLAIMED_OCCLUSION = (
    "a tube that blocks where no breath moved, or nothing leaked or drained, or in a hole of the log, writes what a "
    "lung that is up writes; it shows as absent tidaling"
)


def clamps(beside: Beside) -> Iterator[Figure]:
    """
    Clamped minutes told: of those that the definition can claim (see there), and beside it of all true ones.

    What keeps the rest from being claimed follows: shares of all true minutes.
    """
    running = beside.minutes.filter(pl.col("state") == "run")
    shut = pl.col("true_clamped")
    precision, _ = precision_and_recall(
        running, pl.col("clamped"), shut | shut_for_a_change(), "clamped", 0.95
    )
    yield precision
    told = episodes = 0
    minutes = dict.fromkeys(("", *claimable.HINDRANCES), 0)
    for frame, one in claimable.clamps(beside.minutes, beside.unlogged):
        here = frame[one.first : one.last + 1].filter(pl.col("state") == "run")
        minutes[one.hindrance] += here.height
        if one.claimable:
            told, episodes = told + int(here["clamped"].sum()), episodes + 1
    share = told / minutes[""] if minutes[""] else None
    of = f"{minutes['']} min, {episodes} clamps"
    yield Figure("clamped: recall, what the definition can claim", share, of, 0.95)
    while_shut = running.filter(shut)
    of = f"{while_shut.height} min true"
    yield Figure("clamped: recall, of all true", while_shut["clamped"].mean(), of, 0.95, why=_UNCLAIMED_CLAMP)
    every = sum(minutes.values())
    for hindrance in claimable.HINDRANCES:
        yield Figure(
            f"clamped: true minutes not to be claimed, {hindrance}",
            minutes[hindrance] / every if every else None,
            of,
        )
    yield from precision_and_recall(
        running, pl.col("clamped_noted"), shut, "clamped, with what staff noted", None
    )
    stopped = pl.any_horizontal("clamped", "flow_stopped", "occlusion_suspected")
    some = while_shut.select(stopped.mean()).item() if while_shut.height else None
    yield Figure("clamped: told clamped, stopped or suspected", some, of)


def stops(beside: Beside) -> Iterator[Figure]:
    """
    `flow_stopped`: right where the line was truly shut, by whatever cause.

    Of shut minutes those are asked for that no nearer word took: neither `clamped` nor suspected.
    """
    running = beside.minutes.filter(pl.col("state") == "run")
    shut = pl.any_horizontal("true_clamped", "true_occluded") | shut_for_a_change()
    precision, _ = precision_and_recall(running, pl.col("flow_stopped"), shut, "flow_stopped", None)
    yield precision
    unnamed = running.filter(pl.any_horizontal("true_clamped", "true_occluded")).filter(
        ~pl.any_horizontal("clamped", "occlusion_suspected")
    )
    yield Figure(
        "flow_stopped: recall, where neither clamped nor suspected is told",
        unnamed["flow_stopped"].mean(),
        f"{unnamed.height} min truly clamped or blocked",
    )


def occlusions(beside: Beside) -> Iterator[Figure]:
    """Occlusions found by the log alone: of those that the definition can claim, and beside it of all true ones."""
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
    shut = runs(m.filter(pl.col("true_occluded") & ~pl.col("true_kinked")), apart=60).agg(
        length=(pl.col("true_minute").max() - pl.col("true_minute").min()).dt.total_minutes() + 1,
        running=pl.col("true_running").sum(),
        found=pl.col("occlusion_suspected").any(),
        stopped=pl.col("flow_stopped").any(),
    )
    shut = shut.filter(pl.col("length") >= 45, pl.col("running") >= 45)
    of = f"{shut.height} occlusions of 45 min or more"
    yield Figure(
        "occlusion_suspected: found, of all true", shut["found"].mean(), of, 0.90, why=_UNCLAIMED_OCCLUSION
    )
    yield Figure(
        "occlusion_suspected: found or shown as flow stopped", (shut["found"] | shut["stopped"]).mean(), of
    )


def suspicions(beside: Beside) -> Iterator[Figure]:
    """
    Suspicions by what lay behind at least half of their minutes: a blocked tube, a clamp, a damped line, nothing.

    The first is right. A clamp or a damped line that is suspected is no false alarm and no occlusion either, and
    has rows of its own. The rest is false, and the target is on that alone.
    """
    m = beside.minutes.sort("stay", "true_minute")
    half = {name: pl.col(f"true_{name}").mean() >= 0.5 for name in ("occluded", "clamped", "damped")}
    behind = pl.coalesce(
        *(pl.when(mostly).then(pl.lit(name)) for name, mostly in half.items()), pl.lit("false")
    )
    raised = runs(m.filter("occlusion_suspected"), apart=1).agg(
        behind=behind, scenario=pl.col("scenario").first()
    )
    count = {name: raised.filter(pl.col("behind") == name).height for name in (*half, "false")}
    days = m.height / DAY
    yield Figure(
        "occlusion_suspected: right, at least half of its minutes occluded",
        count["occluded"] / raised.height if raised.height else None,
        f"{raised.height} raised",
    )
    yield Figure(
        "occlusion_suspected: false per 100 drain-days",
        100 * count["false"] / days if days else None,
        f"{raised.height} raised in {days:.0f} drain-days: {count['occluded']} right, {count['false']} false; counted "
        f"beside it, below: {count['clamped']} mostly on a true clamp, {count['damped']} on a damped line",
        at_most=1.0,
    )
    for name, what in (("clamped", "a true clamp"), ("damped", "a damped line")):
        of = f"{raised.height} raised in {days:.0f} drain-days"
        yield Figure(f"occlusion_suspected: mostly on {what}", float(count[name]), of)
        yield Figure(
            f"occlusion_suspected: mostly on {what}, per 100 drain-days",
            100 * count[name] / days if days else None,
            of,
        )
    false = raised.filter(pl.col("behind") == "false")
    for scenario, target in (("re_expansion", 0.0), ("seals_at_once", None)):
        seen = m.filter(pl.col("scenario") == scenario)
        yield Figure(
            f"occlusion_suspected: false in {scenario.replace('_', ' ')}",
            float(false.filter(pl.col("scenario") == scenario).height) if seen.height else None,
            f"{seen['stay'].n_unique()} drains",
            at_most=target,
        )

"""
Clamps and occlusions with traces and without, on simulated truth: what is found, what is made up, what is left open.

`python -m tests.evaluation.tidaling_stops [--drains N] [--seed S] [--every 5 0]`

Three fleets of a ward's drains, each with one kind of trouble told often, every one of them traced every so many
minutes and not at all (0): tubes blocked for 45 minutes to six hours, once or twice; canisters after whose
change the line stays clamped for 8 to 55 minutes; lungs that come up over one to ten hours. No note of staff is read.

A log can tell an occlusion where the definition has something to go by: the swing was visible in the hour
before, and air leaked or more fluid came than `output_before`. It can tell a clamp where either the swing was visible
or air leaked. The rest is counted apart. What is not found is sorted by what the ledger says instead.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.course import course_of, evidence_of
from pipeline.definitions import load_definitions
from pipeline.simulate import Plan, Stretch, draw_plan, therapy, traces
from pipeline.simulate.plan import DAY, HOUR
from schemas.lake import EVIDENCE, RESOLVED, USE_TABLE
from schemas.table import INSTANT

DEFINITIONS = load_definitions()
OCCLUSION_LEAST = 45
FLAGS = ("clamped", "occlusion_suspected", "flow_stopped")

Flags = NDArray[np.bool_]
Reals = NDArray[np.float64]


def plan_of(kind: str, seed: int) -> Plan:
    """A ward's drain with one kind of trouble, and none of the others of these kinds."""
    rng = np.random.default_rng([seed, 99])
    plan = replace(draw_plan(rng, 13), occlusions=(), clamps=(), forgotten_clamps=())
    if kind == "occlusions":
        first = int(rng.uniform(5 * HOUR, 0.5 * plan.minutes))
        blocked = [Stretch(first, first + int(rng.uniform(45, 6 * HOUR)), _rings(rng))]
        if rng.random() < 0.5:
            again = int(
                rng.uniform(blocked[0].end + 2 * HOUR, max(0.9 * plan.minutes, blocked[0].end + 3 * HOUR))
            )
            blocked.append(Stretch(again, again + int(rng.uniform(45, 6 * HOUR)), _rings(rng)))
        return replace(plan, occlusions=tuple(b for b in blocked if b.end < plan.minutes))
    if kind == "clamps":
        forgotten = tuple((k, int(rng.integers(8, 56))) for k in range(1, 12) if rng.random() < 0.5)
        fluid = float(rng.uniform(30, 80))
        return replace(plan, canister_ml=300, fluid_first_ml_h=fluid, forgotten_clamps=forgotten)
    begins = int(rng.uniform(4 * HOUR, 0.5 * plan.minutes))
    return replace(plan, expansion=Stretch(begins, begins + int(rng.uniform(HOUR, 10 * HOUR))))


def _rings(rng: np.random.Generator) -> str:
    return "rings" if rng.random() < 0.4 else "silent"


def beside_truth(kind: str, seeds: Sequence[int], every_min: int) -> pl.DataFrame:
    """The course's minutes of these drains with the truth as `true_…` and each flag as a column."""
    resolved, uses, evidence, truth = [], [], [EVIDENCE.empty()], []
    for number, seed in enumerate(seeds):
        stay = therapy(seed, plan_of(kind, seed))
        stay = traces(stay, every_min) if every_min else stay
        named = {"use_id": f"u{number:05d}", "site": "s", "device": "d", "session": 1, "epoch": 0}
        rows = stay.log.filter(~pl.col("lost")).with_columns(
            *(pl.lit(value).alias(name) for name, value in named.items()),
            utc_offset_minutes=60,
            exports=1,
            conflicting=False,
            clock_step=False,
            clock_uncertain=False,
        )
        rows = RESOLVED.conform(_completed(rows, RESOLVED.dtypes))
        if every_min:
            evidence.append(evidence_of(rows, DEFINITIONS))
        resolved.append(rows.with_columns(samples_cmh2o=pl.lit(None, RESOLVED.dtypes["samples_cmh2o"])))
        begins = pl.DataFrame({**named, "begins_with_check": rows["state"][0] == "check"})
        uses.append(USE_TABLE.conform(_completed(begins, USE_TABLE.dtypes)))
        truth.append(stay.truth.with_columns(use_id=pl.lit(named["use_id"])))
    notes = {"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String}
    course = course_of(
        pl.concat(resolved),
        pl.concat(uses),
        pl.concat(evidence),
        pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT}),
        pl.DataFrame(schema=notes),
        DEFINITIONS,
    )
    true = pl.concat(truth).select("use_id", "minute", pl.exclude("use_id", "minute").name.prefix("true_"))
    return course.minutes.join(true, on=["use_id", "minute"], how="left", maintain_order="left").with_columns(
        pl.col("flags").list.contains(flag).alias(flag) for flag in FLAGS
    )


def _completed(rows: pl.DataFrame, dtypes: pl.Schema | dict[str, pl.DataType]) -> pl.DataFrame:
    return rows.with_columns(
        pl.lit(None, dtype).alias(n) for n, dtype in dtypes.items() if n not in rows.columns
    )


def stretches(flag: Flags, use: NDArray[np.str_]) -> Iterator[tuple[int, int]]:
    """The unbroken stretches of a flag within a use: first minute, end (exclusive)."""
    edge = np.flatnonzero(np.r_[True, (flag[1:] != flag[:-1]) | (use[1:] != use[:-1]), True])
    return ((int(a), int(b)) for a, b in pairwise(edge) if flag[a])


class Truth:
    """Truth and flags of many drains as arrays, drain after drain."""

    def __init__(self, minutes: pl.DataFrame) -> None:
        self.use = minutes["use_id"].to_numpy()
        self.running = minutes.select(((pl.col("state") == "run") & pl.col("observed")).fill_null(False))
        self.running = self.running.to_series().to_numpy()
        self.told = {flag: minutes[flag].to_numpy() for flag in FLAGS}
        self.absent = (minutes["tidaling"] == "absent").to_numpy()
        self.clamped, self.blocked = (
            minutes[f"true_{name}"].fill_null(False).to_numpy() for name in ("clamped", "occluded")
        )
        self.swing, self.leak, self.output = (
            minutes[f"true_{name}"].fill_null(0).to_numpy()
            for name in ("swing_cmh2o", "leak_trend_ml_min", "output_ml")
        )
        self.days = self.running.sum() / DAY

    def before(self, values: Reals, start: int, minutes: int) -> Reals:
        """The minutes before one, within its drain."""
        first = max(start - minutes, 0)
        return values[first:start][self.use[first:start] == self.use[start]]

    def told_by(self, start: int, end: int) -> str:
        """What the ledger says of most of a stretch; a suspicion needs five minutes only."""
        if self.told["occlusion_suspected"][start:end].sum() >= 5:
            return "suspected"
        for flag, word in (("clamped", "clamped"), ("flow_stopped", "flow stopped")):
            if self.told[flag][start:end].mean() > 0.3:
                return word
        return "absent only" if self.absent[start:end].mean() > 0.5 else "undecided"

    def tellable(self, start: int, kind: str) -> bool:
        """Whether the log has something to go by."""
        swings = np.median(self.before(self.swing, start, 60) if start else [0.0]) >= 0.5
        leaks = np.mean(self.before(self.leak, start, 30) if start else [0.0]) > DEFINITIONS.leak.on_above
        if kind == "clamps":
            return bool(swings or leaks)
        came = self.before(self.output, start, DEFINITIONS.occlusion.look_back)
        rate = (came[-1] - came[0]) * 60 / len(came) if len(came) > 1 else 0.0
        return bool(swings and (leaks or rate > DEFINITIONS.occlusion.output_before))


def figures(kind: str, t: Truth) -> Iterator[tuple[str, str, str]]:
    """Name, figure and what it is of."""
    shut = t.blocked if kind == "occlusions" else t.clamped
    said: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    tellable = np.zeros(len(shut), dtype=np.bool_)
    for start, end in stretches(shut, t.use):
        if kind == "clamps" or end - start >= OCCLUSION_LEAST:
            can = t.tellable(start, kind)
            tellable[start:end] = can
            said[can][t.told_by(start, end)] += 1
    if kind != "expansions":
        wanted = "suspected" if kind == "occlusions" else "clamped"
        for can, name in ((True, "the log can tell"), (False, "it cannot")):
            n = said[can].total()
            share = f"{100 * said[can][wanted] / n:.1f} %" if n else "–"
            rest = ", ".join(f"{word} {k}" for word, k in sorted(said[can].items()) if word != wanted)
            yield f"{kind} found where {name}", share, f"{n}; else: {rest or '–'}"
    if kind == "clamps":
        run = t.running
        known, told = run & t.clamped & tellable, run & t.told["clamped"]
        yield (
            "clamped: precision by minutes",
            f"{100 * t.clamped[told].mean():.1f} %",
            f"{told.sum()} min told",
        )
        recall = t.told["clamped"][known].mean()
        yield "clamped: recall by minutes", f"{100 * recall:.1f} %", f"{known.sum()} min the log can tell"
        every = run & t.clamped
        recall = t.told["clamped"][every].mean()
        yield "clamped: recall, all clamps", f"{100 * recall:.1f} %", f"{every.sum()} min true"
    true = t.blocked | t.clamped
    for flag in ("occlusion_suspected", "flow_stopped"):
        false = sum(not true[max(a - 5, 0) : b].any() for a, b in stretches(t.told[flag], t.use))
        yield (
            f"{flag}: false per 100 drain-days",
            f"{100 * false / t.days:.2f}",
            f"{false} in {t.days:.0f} days",
        )


def main() -> None:
    """Print the figures of each fleet, traced and untraced."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--drains", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--every", type=int, nargs="+", default=[5, 0], help="minutes; 0: no traces")
    chosen = options.parse_args()
    for every in chosen.every:
        for kind in ("occlusions", "clamps", "expansions"):
            seeds = range(chosen.seed, chosen.seed + chosen.drains)
            print(
                f"\n{kind}, {f'a trace every {every} min' if every else 'no traces'}, {chosen.drains} drains"
            )
            for name, figure, of in figures(kind, Truth(beside_truth(kind, seeds, every))):
                print(f"  {name:44s} {figure:>8s}  of {of}")


if __name__ == "__main__":
    main()

"""
From verdicts to periods of tidaling: the hysteresis against a hidden Markov model, on simulated truth.

`python -m tests.evaluation.tidaling_periods [--drains N] [--seed S] [--every 1 5 10 0]`

The same drains, from the same seeds, are traced every minute, every 5, every 10 and not at all (0), and their
minutes told by

- `hysteresis`: `pipeline.course.tidaling_of` as shipped (`[tidaling]` and `[envelope]` of the definitions);
- `hmm`: forward-backward over two states, breathing visible or not, on the same evidence: the verdict of a
  minute's own trace; in untraced logs the class of its max − min, and nothing where it moves while air leaks,
  for that may be the pump (`pump learnt`: how often it is, among the drains it learns from). What a state shows is learnt from other drains (seeds of their own), how long it
  lasts likewise, as a mean;
- `hmm, durations`: the same with each state a chain of sub-states, so that a stay has a least length and a
  more regular one than the geometric; the length of the chain is chosen on the drains it learns from.

A posterior of at least 0.95 for one state is a verdict, less is undecided; minutes that do not run are not
assessed. Not in the pipeline: SciPy and Polars have no such model, and it has to earn its place here first.

Truth: `breathing_visible` while running, without stretches under 10 minutes (a swing about the least one that
counts flickers). Edges judged are sharp ones: truth steady for 30 running minutes on either side, and the swing
on its breathing side at least twice the least. A switch is one from present to absent or back, undecided
stretches between left out; it is false where no true edge lies within the evidence's spacing and 5 minutes.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.course import evidence_of, tidaling_of
from pipeline.course.marks import mark_readings
from pipeline.definitions import load_definitions
from pipeline.simulate import Stretch, therapy, traces
from pipeline.simulate.plan import DAY, HOUR, Plan, draw_plan
from schemas.lake import EVIDENCE, RESOLVED
from schemas.table import INSTANT

DEFINITIONS = load_definitions()
LEARN_FROM = 500_000  # seeds the model learns from lie this far from those it is judged on
# What a minute shows. A trace: present, absent, indeterminate. Untraced: quiet, between, moved, moved while air leaks.
SYMBOLS = 8
PUMP_OR_BREATH, NOTHING = 6, 7
PRESENT, ABSENT, UNDECIDED, UNSEEN = 1, 0, 2, 3

Wholes = NDArray[np.int64]
Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Told:
    """One column a minute of many drains, drain after drain: what is true and what there is to see."""

    drain: Wholes
    running: Flags
    visible: Flags
    swing: Reals
    symbol: Wholes
    hysteresis: Wholes

    @property
    def days(self) -> float:
        """Minutes in days."""
        return len(self.drain) / DAY


def plan_of(seed: int) -> Plan:
    """A ward's drain with a blocked stretch, two clamps: more edges than a ward has."""
    rng = np.random.default_rng([seed, 7])
    plan = draw_plan(rng, 13)
    starts = np.sort(rng.uniform(4 * HOUR, max(plan.minutes - 7 * HOUR, 5 * HOUR), 3)).astype(int)
    lengths = rng.integers((45, 15, 15), (6 * HOUR, 56, 56))
    stops = [Stretch(int(s), int(s + n), "silent") for s, n in zip(starts, lengths, strict=True)]
    return replace(plan, occlusions=(stops[0],), clamps=tuple(stops[1:]))


def lived(seeds: Sequence[int], every_min: int) -> Told:
    """Live these drains through, and lay truth beside what the log shows."""
    resolved, uses, evidence, truth = [], [], [EVIDENCE.empty()], []
    for number, seed in enumerate(seeds):
        stay = therapy(seed, plan_of(seed))
        stay = traces(stay, every_min) if every_min else stay
        named = {"use_id": f"u{number:05d}", "site": "s", "device": "d", "session": 1, "epoch": 0}
        rows = RESOLVED.conform(
            _all_columns(
                stay.log.filter(~pl.col("lost")).with_columns(
                    *(pl.lit(value).alias(name) for name, value in named.items()),
                    utc_offset_minutes=60,
                    exports=1,
                    conflicting=False,
                    clock_step=False,
                    clock_uncertain=False,
                )
            )
        )
        resolved.append(rows.drop("samples_cmh2o"))
        uses.append(pl.DataFrame({**named, "begins_with_check": rows["state"][0] == "check"}))
        if every_min:
            evidence.append(evidence_of(rows, DEFINITIONS))
        truth.append(
            stay.truth.select(
                "minute", "running", "breathing_visible", true_swing="swing_cmh2o"
            ).with_columns(use_id=pl.lit(named["use_id"]), number=pl.lit(number, pl.Int64))
        )
    grid, _ = mark_readings(
        pl.concat(resolved),
        pl.concat(uses),
        pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT}),
        DEFINITIONS,
    )
    seen = pl.concat(evidence)
    told = tidaling_of(grid, seen, DEFINITIONS).join(
        seen.select("use_id", "minute", trace="verdict"),
        on=["use_id", "minute"],
        how="left",
        maintain_order="left",
    )
    return _laid_out(
        told.join(pl.concat(truth), on=["use_id", "minute"], maintain_order="left"), every_min > 0
    )


def _all_columns(rows: pl.DataFrame) -> pl.DataFrame:
    lacking = [pl.lit(None, c.dtype).alias(c.name) for c in RESOLVED.columns if c.name not in rows.columns]
    return rows.with_columns(lacking)


def _laid_out(told: pl.DataFrame, traced_log: bool) -> Told:
    words = {"present": PRESENT, "absent": ABSENT, "indeterminate": UNDECIDED, "not_assessable": UNSEEN}
    running = pl.col("running") & pl.col("observed")
    range_, leak = pl.col("range_cmh2o"), pl.col("air_leak_ml_min")
    by_range = (
        pl.when(range_.is_null() | pl.lit(traced_log))
        .then(NOTHING)
        .when(range_ < pl.col("absent_below_cmh2o"))
        .then(3)
        .when(range_ < pl.col("moved_least_cmh2o"))
        .then(4)
        .when(leak <= DEFINITIONS.leak.on_above)
        .then(5)
        .otherwise(PUMP_OR_BREATH)
    )
    traced = pl.col("trace").replace_strict({"present": 0, "absent": 1, "indeterminate": 2}, default=None)
    columns = told.select(
        "number",
        running.alias("running"),
        "breathing_visible",
        "true_swing",
        symbol=pl.when(running).then(pl.coalesce(traced, by_range)).otherwise(NOTHING).cast(pl.Int64),
        told=pl.col("tidaling").replace_strict(words, return_dtype=pl.Int64),
    )
    arrays = [columns[name].to_numpy() for name in columns.columns]
    number, runs, visible, swing, symbol, hysteresis = arrays
    return Told(number, runs, _steady(number, visible), swing, symbol, np.where(runs, hysteresis, UNSEEN))


def _steady(drain: Wholes, visible: Flags, least: int = 10) -> Flags:
    """Truth without stretches shorter than `least` minutes: they take the state before them."""
    begins = np.flatnonzero(np.r_[True, (np.diff(visible) != 0) | (np.diff(drain) != 0)])
    lengths = np.diff(np.r_[begins, len(visible)])
    state = visible[begins].copy()
    for k in range(1, len(begins)):
        if lengths[k] < least and drain[begins[k]] == drain[begins[k] - 1]:
            state[k] = state[k - 1]
    return np.repeat(state, lengths)


class Model(NamedTuple):
    """A chain of sub-states for each of two states; `stay` of each sub-state, `shows` of each state."""

    chain: int
    stay: Reals
    shows: Reals


def learnt(told: Told, chain: int, pump: bool = False) -> Model:
    """
    Count what each true state shows, one added to each, and how long it lasts on average.

    Whether a pressure that moves while air leaks is breath or pump is learnt only where asked.
    """
    shows = np.ones((2, SYMBOLS))
    np.add.at(shows, (told.visible[told.running].astype(int), told.symbol[told.running]), 1)
    shows[:, NOTHING] = shows[:, NOTHING].sum() / 2  # which state it is does not show
    if not pump:
        shows[:, PUMP_OR_BREATH] = shows[:, PUMP_OR_BREATH].sum() / 2
    changes = np.flatnonzero((np.diff(told.visible) != 0) & (np.diff(told.drain) == 0))
    stays = np.array([(told.visible == state).sum() / max(len(changes) / 2, 1) for state in (False, True)])
    return Model(chain, 1 - chain / np.maximum(stays, 2 * chain), shows / shows.sum(axis=1, keepdims=True))


def posterior(model: Model, symbol: Wholes, running: Flags) -> Reals:
    """Chance of breathing at each minute of one drain, from all its minutes (forward-backward, scaled)."""
    k = model.chain
    step = np.zeros((2 * k, 2 * k))
    for i in range(2 * k):
        state = i // k
        step[i, i] = model.stay[state]
        step[i, i + 1 if (i + 1) % k else (k if state == 0 else 0)] = 1 - model.stay[state]
    shown = np.repeat(model.shows[:, symbol].T, k, axis=1)
    shown[~running] = 1.0
    n = len(symbol)
    forward, backward = np.empty((n, 2 * k)), np.ones((n, 2 * k))
    now = np.full(2 * k, 1 / (2 * k))
    for t in range(n):
        now = (now @ step if t else now) * shown[t]
        now /= now.sum()
        forward[t] = now
    after = np.ones(2 * k)
    for t in range(n - 2, -1, -1):
        after = step @ (after * shown[t + 1])
        after /= after.sum()
        backward[t] = after
    both = forward * backward
    return np.asarray(both[:, k:].sum(axis=1) / both.sum(axis=1))


def by_model(model: Model, told: Told, sure: float = 0.95) -> Wholes:
    """The verdict of every minute by a model."""
    begins = np.flatnonzero(np.r_[True, np.diff(told.drain) != 0, True])
    parts = [posterior(model, told.symbol[a:b], told.running[a:b]) for a, b in pairwise(begins)]
    chance = np.concatenate(parts)
    verdict = np.where(chance >= sure, PRESENT, np.where(chance <= 1 - sure, ABSENT, UNDECIDED))
    return np.where(told.running, verdict, UNSEEN)


def scored(told: Told, verdict: Wholes, every_min: int) -> dict[str, float]:
    """False switches a day, how far sharp edges are off, and shares of the running minutes."""
    decided = np.flatnonzero((verdict == PRESENT) | (verdict == ABSENT))
    change = (np.diff(verdict[decided]) != 0) & (np.diff(told.drain[decided]) == 0)
    # A switch lies between the last minute of one verdict and the first of the next.
    from_, to = decided[:-1][change], decided[1:][change]
    edges = np.flatnonzero((np.diff(told.visible) != 0) & (np.diff(told.drain) == 0)) + 1
    slack = 5 + max(every_min, 1 if every_min else DEFINITIONS.envelope.window)
    false = sum(
        not np.any((edges >= a - slack) & (edges <= b + slack)) for a, b in zip(from_, to, strict=True)
    )
    sharp = [e for e in edges if _sharp(told, e)]
    offs = [_off(e, told.visible[e], to, verdict) for e in sharp]
    off = np.array([o for o in offs if o is not None])
    runs = told.running
    wrong = runs & (((verdict == PRESENT) & ~told.visible) | ((verdict == ABSENT) & told.visible))
    return {
        "days": told.days,
        "edges": len(sharp),
        "false switches a day": false / told.days,
        "edges found %": 100 * len(off) / max(len(sharp), 1),
        "off by, median min": float(np.median(off)) if len(off) else np.nan,
        "off by, 95 % min": float(np.quantile(off, 0.95)) if len(off) else np.nan,
        "within 5 min %": 100 * float((off <= 5).sum()) / max(len(sharp), 1),
        "wrong minutes %": 100 * wrong.sum() / runs.sum(),
        "undecided %": 100 * (runs & ((verdict == UNDECIDED) | (verdict == UNSEEN))).sum() / runs.sum(),
    }


def _sharp(told: Told, edge: int, steady: int = 30) -> bool:
    around = slice(edge - steady, edge + steady)
    if edge < steady or edge + steady > len(told.drain) or len(set(told.drain[around])) > 1:
        return False
    one_edge = np.count_nonzero(np.diff(told.visible[around])) == 1
    breathing = told.swing[around][told.visible[around]]
    return bool(one_edge and told.running[around].all() and np.median(breathing) >= 1.0)


def _off(edge: int, now_visible: bool, switches: Wholes, verdict: Wholes) -> float | None:
    """Minutes from a sharp edge to the nearest switch in its direction, if there is one within 30."""
    same = switches[verdict[switches] == (PRESENT if now_visible else ABSENT)]
    near = same[np.abs(same - edge) <= 30]
    return float(np.abs(near - edge).min()) if len(near) else None


def main() -> None:
    """Print a row for each spacing of traces and each way from verdicts to periods."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--drains", type=int, default=60)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--every", type=int, nargs="+", default=[1, 5, 10, 0], help="minutes; 0: no traces")
    chosen = options.parse_args()
    rows = []
    for every in chosen.every:
        seeds = range(chosen.seed, chosen.seed + chosen.drains)
        told = lived(seeds, every)
        lesson = lived([LEARN_FROM + seed for seed in seeds], every)
        chains = {k: scored(lesson, by_model(learnt(lesson, k), lesson), every) for k in (2, 3, 5)}
        best = min(chains, key=lambda k: (chains[k]["wrong minutes %"] + chains[k]["undecided %"], k))
        ways = {
            "hysteresis": told.hysteresis,
            "hmm": by_model(learnt(lesson, 1), told),
            f"hmm, durations ({best})": by_model(learnt(lesson, best), told),
        }
        if not every:
            ways["hmm, pump learnt"] = by_model(learnt(lesson, 1, pump=True), told)
        spacing = f"{every} min" if every else "none"
        rows += [{"traces": spacing, "way": way, **scored(told, v, every)} for way, v in ways.items()]
    with pl.Config(tbl_rows=-1, tbl_cols=-1, float_precision=2, tbl_width_chars=200, fmt_str_lengths=30):
        print(pl.DataFrame(rows))


if __name__ == "__main__":
    main()

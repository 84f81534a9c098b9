"""
Fit the score of breathing and the tail of its false alarms; print what `[trace]` should hold, and count false alarms.

Run: python tests/signal/calibrate.py [traces a class]. Breathing and structured nulls are drawn at 20, 30
and 60 s with a fixed seed. The score is a logistic regression on what `breaths_at` measures, times the
square root of the number of cycles; a null weighs as much as twenty breathing traces, for what matters is
the tail. The chance of a false alarm is read where the score is the greater of the two trial rates,
whatever the swing; the line through its tail is what `score_at_one` and `score_per_decade` say.

The second table is the whole of `assess` on fresh traces of each null: how many pass the score, how many are
`present`, and the 95 % upper bound of that share (Clopper and Pearson 1934).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.definitions import load_definitions
from pipeline.signal import assess
from pipeline.signal.artefacts import condition
from pipeline.signal.breaths import Breaths, breaths_at
from pipeline.signal.spectrum import Bands, candidates, spectrum_of, summed, without_outliers
from pipeline.signal.verdicts import is_clear
from tests.signal.pressure_traces import make
from tests.signal.stranger_traces import strange

BREATHING = ["clean", "small", "slow", "fast", "irregular", "cough", "motion", "hard", "heart", "restless"]
NULLS = ["ar1", "ar1", "ar1", "big_drift", "clean", "motion", "cough", "restless", "heart"]
COUNTED = ["ar1", "big_drift", "heart", "cough", "motion", "restless", "step", "pump", "pump_irregular", "hard", "shaking"]  # fmt: skip
NULL_WEIGHT = 20.0
PUMP_WEIGHT = 5.0  # a false breath is worse than an open verdict
RULES = load_definitions().trace
FIGURES = ["constant", "breaths", "alike", "interval_cv", "covered", "share"]
CHESTS = ["clean", "small", "slow", "fast", "irregular", "cough", "motion"]
STRANGE_CHESTS = ["clean", "simulated", "recorded", "cough", "motion", "heart"]
CHEST_FIGURES = ["constant", "intervals", "swings", "one_sided", "size", "few", "sharp"]
Real = NDArray[np.float64]


def tried(matrix: Real, rate_hz: float = 10.0) -> tuple[Breaths, Breaths]:
    """What both trial rates of each trace show."""
    ready = condition(matrix.astype(np.float32), rate_hz, 2, RULES)
    bands = Bands(ready.pressure.shape[1], ready.rate_hz, 1.0 / ready.rate_hz, RULES)
    spectrum = spectrum_of(without_outliers(ready.pressure, ready.usable, RULES)[0], ready.usable)
    below = summed(spectrum)
    first, second = (
        breaths_at(spectrum, below, ready.pressure, ready.usable, trial, bands, RULES)
        for trial in candidates(below, bands)
    )
    return first, second


def features(b: Breaths) -> Real:
    """Rows of the regression; NaN where there are too few cycles or the rate is out of the band."""
    root = np.sqrt(b.count)
    alike = np.clip(b.alike, 0.01, 0.995)
    rows = np.column_stack(
        [
            np.ones(len(root)),
            root,
            root * np.log(alike / (1 - alike)),
            root * np.minimum(b.interval_cv, 1.0),
            root * b.covered,
            root * np.log(np.clip(b.share, 0.02, 1.0)),
        ]
    )
    usable = (b.count >= RULES.least_breaths) & (b.rate <= RULES.fastest) & (b.rate >= 0.95 * RULES.slowest)
    return np.where(usable[:, None], rows, np.nan)


def drawn(names: list[str], count: int, seed: int, breathing: bool) -> tuple[Real, Real, Real, Real]:
    """Features of both trial rates, how far the first is from the truth, and the length of each trace."""
    first, second, off, lengths = [], [], [], []
    for k, name in enumerate(names):
        for seconds in (20.0, 30.0, 60.0):
            for part in range(0, count, 500):
                size = min(500, count - part)
                batch = make(name, size, seed + part + 7919 * k, breathing, seconds)
                one, two = tried(batch.matrix())
                first.append(features(one))
                second.append(features(two))
                off.append(np.abs(one.rate / np.array(batch.rates) - 1))
                lengths.append(np.full(size, seconds))
    return np.vstack(first), np.vstack(second), np.concatenate(off), np.concatenate(lengths)


def fitted(count: int) -> Real:
    """The weights of a logistic regression in which a null weighs `NULL_WEIGHT`."""
    yes, _, off, _ = drawn(BREATHING, count // 4, 101, True)
    no, _, _, _ = drawn(NULLS, count, 202, False)
    yes, no = yes[~np.isnan(yes).any(axis=1) & (off < 0.25)], no[~np.isnan(no).any(axis=1)]
    return logistic(yes, no, NULL_WEIGHT)


def logistic(yes: Real, no: Real, weight: float) -> Real:
    """Weights of a logistic regression in which each row of `no` weighs so much."""
    x, y = np.vstack([yes, no]), np.r_[np.ones(len(yes)), np.zeros(len(no))]
    w = np.where(y > 0, 1.0, weight)

    def loss(b: Real) -> tuple[float, Real]:
        z = x @ b
        slope = x.T @ (w * (1 / (1 + np.exp(-z)) - y)) + 0.02 * b
        return float(np.sum(w * (np.logaddexp(0, z) - y * z)) + 0.01 * b @ b), slope

    return np.asarray(
        minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 5000}).x
    )


def chest_features(b: Breaths, seconds: float) -> Real:
    """Rows of the regression that tells a chest from a pump, of the cycles that pass the score."""
    kept = is_clear(b, seconds, RULES) & (b.swing >= RULES.least_swing)
    rows = np.column_stack(
        [
            np.ones(len(b.count)),
            np.log(np.hypot(b.interval_spread, RULES.even_intervals)),
            np.log(np.hypot(b.swing_spread, RULES.even_swings)),
            np.log(np.hypot(b.one_sided, RULES.even_ends)),
            np.log(np.clip(b.swing, RULES.least_swing, RULES.chest_size_most)),
            1.0 / np.sqrt(np.maximum(b.count, RULES.least_breaths)),
            np.log(np.maximum(b.slow_limb * b.sharpness / RULES.pump_shape, 1.0)),
        ]
    )
    return np.asarray(rows[kept])


def chest_fitted(count: int) -> Real:
    """The weights that tell a chest from a pump on both generators; a pump weighs `PUMP_WEIGHT` chests."""
    chests = [(make, name) for name in CHESTS] + [(strange, name) for name in STRANGE_CHESTS]
    sources = [(draw, name, True, count) for draw, name in chests]
    # Few of the sharp ones have smooth cycles: those that hunt are what has to be told.
    sources += [(make, "pump", False, count), (strange, "pump", False, count)]
    sources += [(strange, "hunting", False, 8 * count)]
    found: dict[bool, list[Real]] = {True: [], False: []}
    for draw, name, breathing, many in sources:
        for seconds in (20.0, 30.0, 60.0):
            batch = draw(name, many, 505, breathing, seconds)
            found[breathing].append(chest_features(tried(batch.matrix())[0], seconds))
    yes, no = np.vstack(found[True]), np.vstack(found[False])
    return logistic(yes, no, PUMP_WEIGHT * len(yes) / len(no))


def tail(b: Real, count: int) -> None:
    """
    The line through the null scores at 1e-2 and 1e-3 of correlated noise, at each length, whole and with holes.

    What the other limits (swing, noise within a narrow band) leave out raises no alarm and is not counted.
    """
    for seconds, holed in ((60.0, False), (60.0, True), (30.0, False), (30.0, True), (20.0, False)):
        scores = []
        for part in range(0, 4 * count, 500):
            matrix = make("ar1", min(500, 4 * count - part), 303 + part, False, seconds).matrix()
            rng = np.random.default_rng([part, int(seconds), 6])
            for trace in matrix if holed else ():
                left = rng.uniform(0.1, 0.5) * seconds
                while left > 0.5:
                    long = min(left, rng.uniform(1.5, 10.0))
                    at = rng.uniform(0, seconds - long)
                    trace[int(at * 10) : int((at + long) * 10)] = np.nan
                    left -= long
            scores.append(np.fmax(*(alarm_score(one, b) for one in tried(matrix))))
        at_2, at_3 = np.quantile(np.concatenate(scores), [0.99, 0.999])
        text = f"tail: {seconds:g} s{', holed' if holed else ''}, {sum(map(len, scores))} traces: 1e-2 {at_2:.2f}, 1e-3 {at_3:.2f}"
        print(f"  {text}, so 1e-4 {2 * at_3 - at_2:.2f}", flush=True)


def alarm_score(b: Breaths, weights: Real) -> Real:
    """The score of what could raise an alarm; -99 for the rest."""
    score = features(b) @ weights
    silent = (b.swing_spread + b.interval_spread > RULES.noise_varies) | ~(b.swing >= RULES.least_swing)
    return np.where(np.isnan(score) | silent, -99.0, score)


def shaking(count: int, seed: int, seconds: float) -> Real:
    """Noise confined to a band between 0.05 and 3 Hz, all the time: a ward's worst walk."""
    rng = np.random.default_rng([seed, 4])
    n = round(seconds * 10) + 200
    spectrum = np.fft.rfft(rng.standard_normal((count, n)), axis=1)
    hertz = np.fft.rfftfreq(n, 0.1)
    low, high = rng.uniform(0.05, 0.3, (count, 1)), rng.uniform(0.4, 3, (count, 1))
    wave = np.fft.irfft(spectrum * ((hertz > low) & (hertz < high)), n, axis=1)[:, :-200]
    return np.round(wave * rng.uniform(0.3, 3, (count, 1)) / wave.std(axis=1, keepdims=True), 1)


def false_alarms(count: int) -> None:
    """`present` on each null, with its 95 % upper bound; and the same were any swing enough."""
    any_swing = RULES.model_copy(update={"least_swing": 0.0, "alias_swing": 0.0})
    print(
        f"{'null':16}{'seconds':>8}{'traces':>8}{'any swing':>11}{'present':>9}{'share %':>9}{'at most %':>11}"
    )
    for name in COUNTED:
        for seconds in (20.0, 60.0):
            passed = present = total = 0
            for part in range(0, count, 1000):
                size = min(1000, count - part)
                matrix = (
                    shaking(size, 404 + part, seconds)
                    if name == "shaking"
                    else make(name, size, 404 + part, False, seconds).matrix()
                )
                total += size
                present += int(assess(matrix, 10.0)["verdict"].eq("present").sum())
                passed += int(assess(matrix, 10.0, rules=any_swing)["verdict"].eq("present").sum())
            most = beta.ppf(0.975, present + 1, total - present)
            print(
                f"{name:16}{seconds:8g}{total:8}{passed:11}{present:9}{100 * present / total:9.3f}{100 * most:11.3f}",
                flush=True,
            )


def main(count: int) -> None:
    """Fit, read the tail on fresh nulls, count on fresh ones again."""
    b = fitted(count)
    chest = chest_fitted(count // 5)
    print("chest:", {f"chest_{n}": round(float(v), 2) for n, v in zip(CHEST_FIGURES, chest, strict=True)})
    print("fitted:", {f"score_{n}": round(float(v), 2) for n, v in zip(FIGURES, b, strict=True)})
    tail(b, count)
    b = np.array([getattr(RULES, f"score_{n}") for n in FIGURES])
    print("in definitions:")
    tail(b, count)
    false_alarms(count)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3000)

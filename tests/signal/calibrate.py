"""
Fit the score of breathing and the tail of its false alarms; print what `[trace]` should hold.

Run: python tests/signal/calibrate.py [traces a class]. Breathing and structured nulls (correlated noise,
drift, coughs and motion on a blocked tube, restless blocked tubes) are drawn at 20, 30 and 60 s with a fixed
seed. The score is a logistic regression on what `breaths_at` measures, times the square root of the
number of cycles. The chance of a false alarm is read where the score is the greater of the two trial
rates, whatever the swing; the line through its tail is what `score_at_one` and `score_per_decade` say.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from pressure_traces import make

from pipeline.definitions import load_definitions
from pipeline.signal.artefacts import condition
from pipeline.signal.breaths import Breaths, breaths_at
from pipeline.signal.spectrum import Bands, candidates, spectrum_of, summed, without_outliers

BREATHING = [
    "clean",
    "small",
    "slow",
    "fast",
    "irregular",
    "cough",
    "motion",
    "hard",
    "pump",
    "heart",
    "restless",
]
NULLS = ["ar1", "ar1", "big_drift", "clean", "motion", "cough", "restless"]
RULES = load_definitions().trace
Real = NDArray[np.float64]


def tried(matrix: Real, rate_hz: float = 10.0) -> tuple[Breaths, Breaths]:
    """What both trial rates of each trace show."""
    ready = condition(matrix, rate_hz, 2, RULES)
    bands = Bands(ready.pressure.shape[1], ready.rate_hz, 1.0 / ready.rate_hz, RULES)
    spectrum = spectrum_of(without_outliers(ready.pressure, ready.usable)[0], ready.usable)
    first, second = (
        breaths_at(spectrum, ready.pressure, ready.edges, ready.usable, trial, bands, RULES)
        for trial in candidates(summed(spectrum), bands)
    )
    return first, second


def features(b: Breaths) -> Real:
    """Rows of the regression; NaN where there are too few cycles or the rate is out of the band."""
    root = np.sqrt(b.count)
    alike = np.clip(b.alike, 0.01, 0.995)
    rows = np.column_stack(
        [np.ones(len(root)), root, root * np.log(alike / (1 - alike)), root * b.interval_cv, root * b.covered]
    )
    usable = (b.count >= RULES.least_breaths) & (b.rate <= 45.0) & (b.rate >= 0.95 * RULES.slowest)
    return np.where(usable[:, None], rows, np.nan)


def drawn(names: list[str], count: int, seed: int, breathing: bool) -> tuple[Real, Real, list[str]]:
    """Features of both trial rates and the class of each trace."""
    first, second, classes = [], [], []
    for name in names:
        for seconds in (20.0, 30.0, 60.0):
            for part in range(0, count, 500):
                size = min(500, count - part)
                one, two = tried(make(name, size, seed + part, breathing, seconds).matrix())
                first.append(features(one))
                second.append(features(two))
                classes += [name] * size
    return np.vstack(first), np.vstack(second), classes


def main(count: int) -> None:
    """Fit, then read the tail on fresh nulls."""
    yes, _, _ = drawn(BREATHING, count // 4, 101, True)
    no, _, _ = drawn(NULLS, count, 202, False)
    yes, no = yes[~np.isnan(yes).any(axis=1)], no[~np.isnan(no).any(axis=1)]
    x, y = np.vstack([yes, no]), np.r_[np.ones(len(yes)), np.zeros(len(no))]

    def loss(b: Real) -> tuple[float, Real]:
        z = x @ b
        return float(np.sum(np.logaddexp(0, z) - y * z) + 0.01 * b @ b), x.T @ (
            1 / (1 + np.exp(-z)) - y
        ) + 0.02 * b

    fitted = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 3000}).x
    names = ["constant", "breaths", "alike", "interval_cv", "covered"]
    print("fitted:", {n: round(float(v), 2) for n, v in zip(names, fitted, strict=True)})
    for what, b in (
        ("fitted", fitted),
        ("in definitions", np.array([getattr(RULES, f"score_{n}") for n in names])),
    ):
        one, two, classes = drawn(NULLS, count, 303, False)
        score = np.fmax(one @ b, two @ b)
        score = np.where(np.isnan(score), -99.0, score)
        print(
            what,
            "nulls",
            len(score),
            {q: round(float(np.quantile(score, 1 - q)), 2) for q in (0.1, 0.01, 1e-3, 1e-4)},
        )
        for name in sorted(set(classes)):
            part = score[np.array(classes) == name]
            print(
                f"   {name:12}{len(part):7}",
                {q: round(float(np.quantile(part, 1 - q)), 2) for q in (0.1, 0.01, 1e-3, 1e-4)},
            )
        limit = RULES.score_at_one - np.log10(RULES.false_alarm) * RULES.score_per_decade
        print(
            f"   score at the limit {limit:.2f}: {np.mean(score > limit):.1e} of nulls; {np.mean(yes @ b < limit):.3f} of breathing below"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3000)

"""From what the cycles of a trace look like to a verdict, its numbers and the main artefact."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.artefacts import Conditioned
from pipeline.signal.breaths import Breaths
from schemas.lake import EVIDENCE_COLUMNS
from schemas.vocabulary import ArtefactKind, Verdict

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]  # of the evidence table; a word as its place in its column's words

_VERDICTS, _KINDS = tuple(Verdict), tuple(ArtefactKind)


def decide(
    ready: Conditioned,
    rate: float,
    range_: Real,
    one: Breaths,
    clear: Flag,
    pumped: Flag,
    two: Breaths,
    beat: Real,
    lowest: Real,
    rules: TraceRules,
) -> Columns:
    """
    The columns of the evidence table from what both trial rates of a block show.

    Parameters
    ----------
    rate
        At which the traces were sampled: a slow one lets the heart alias into the breathing band.
    range_
        (traces,) the range that no swing exceeds, cm[H2O].
    one, two
        What the two trial rates show; `clear` and `pumped` are those of the first.
    beat
        The rate of a line of the heart's size; NaN: none.
    lowest
        The slowest breathing each trace could have shown, per minute; NaN: none.
    """
    with np.errstate(invalid="ignore"):
        ratio = np.maximum(two.rate, one.rate) / np.minimum(two.rate, one.rate)
        near = ratio < rules.same_rate
        overtone = (np.abs(ratio / np.round(ratio) - 1) < rules.overtone) & ~near
        # What rides on a pump's cycles is the pump again; two looks at one rate are two chances to see it.
        overtone |= near & clear & pumped
    breath = clear & ~pumped
    take_two = ~breath & is_clear(two, rules) & ~pump_like(two, rules) & ~overtone
    found = breath | take_two

    def of(name: str) -> Real:
        chosen = np.where(take_two, getattr(two, name), getattr(one, name))
        return np.asarray(chosen, dtype=np.float64)

    swing = np.round(of("swing").astype(np.float64), 2)
    need = rules.least_swing if rate >= rules.alias_rate else rules.alias_swing
    can_tell = lowest <= rules.absent_covers
    present = found & (swing >= need)
    small = found & (swing >= rules.small_share * rules.least_swing)
    range_ = np.round(range_.astype(np.float64), 2)
    absent = ~present & ~small & can_tell & (range_ < rules.least_swing)
    assessable = (present | can_tell) & ~ready.constant
    verdict = np.select(
        [~assessable, present, absent],
        [_VERDICTS.index(v) for v in (Verdict.NOT_ASSESSABLE, Verdict.PRESENT, Verdict.ABSENT)],
        _VERDICTS.index(Verdict.INDETERMINATE),
    )
    measured = assessable & ~absent & (of("count") >= rules.least_breaths)
    # Crests cut off by the sensor's range say how large a swing is at least, not how large at most.
    cut_off = (ready.usable & ~ready.known).mean(axis=1) > rules.rail_share
    # A breath's second and third harmonics lie where the heart does.
    overtones = beat / np.where(found, of("rate"), np.nan)
    heart = ~np.isnan(beat) & ~(
        (overtones < rules.heart_overtones) & (np.abs(overtones - np.round(overtones)) < rules.heart_near)
    )
    cycling = clear & pumped & (one.swing > rules.small_share * rules.least_swing)
    kind, fraction = _main_artefact(ready, cycling, heart)
    nan = np.nan
    return columns_of(
        verdict,
        np.where(present, np.round(of("rate"), 2), nan),
        np.where(measured, swing, nan),
        np.where(measured, np.round(of("swing_low"), 2), np.where(absent, 0.0, nan)),
        np.where(measured & ~cut_off, np.round(of("swing_high"), 2), np.where(absent, range_, nan)),
        np.where(ready.constant, nan, lowest),
        fraction,
        kind,
    )


def is_clear(b: Breaths, rules: TraceRules) -> Flag:
    """
    Whether structured noise would look as much like breathing less often than `false_alarm` allows.

    The score is that of a logistic regression; the tail of its distribution on noise is exponential.
    """
    n = np.sqrt(b.count)
    alike = np.clip(b.alike, 0.01, 0.995)
    score = rules.score_constant + n * (
        rules.score_breaths
        + rules.score_alike * np.log(alike / (1 - alike))
        + rules.score_interval_cv * np.minimum(b.interval_cv, 1.0)
        + rules.score_covered * b.covered
        + rules.score_share * np.log(np.clip(b.share, 0.02, 1.0))
    )
    decades = (score - rules.score_at_one) / rules.score_per_decade
    in_band = (b.rate <= rules.fastest) & (b.rate >= rules.band_margin * rules.slowest)
    # Noise within a narrow band (a walk) cycles too, but its depth varies as widely as chance has it.
    wandering = (b.swing_cv > rules.noise_swing_cv) & (b.interval_cv > rules.noise_interval_cv)
    return np.asarray(
        (b.count >= rules.least_breaths) & in_band & ~wandering & (decades >= -np.log10(rules.false_alarm))
    )


def pump_like(b: Breaths, rules: TraceRules) -> Flag:
    """
    Whether the cycles are a pump's rather than a chest's, by their common shape.

    A pump pulls fast and lets the pressure come back slowly over the whole cycle; a chest moves and rests.
    So the shape has a sharp edge, a slow limb that leaves no time for rest, or both in part. It works
    between two pressures: cycles of one clear shape whose depth varies are given a little more room.
    """
    varied = (b.swing_cv > rules.pump_varies) & (b.alike > rules.pump_alike)
    limit = np.where(varied, rules.pump_shape_varied, rules.pump_shape)
    return np.asarray(b.slow_limb * b.sharpness > limit)


def _main_artefact(ready: Conditioned, cycling: Flag, heart: Flag) -> tuple[Whole, Real]:
    """The kind that took most samples, else what colours the whole trace; the share of artefact samples."""
    width = ready.usable.shape[1]
    kind = np.where(heart, _KINDS.index(ArtefactKind.CARDIAC), _KINDS.index(ArtefactKind.NONE))
    kind = np.where(cycling, _KINDS.index(ArtefactKind.PUMP), kind)
    artefact = ready.burst | ready.saturated | ready.flat | ready.stepped
    count = artefact.sum(axis=1)
    rows = np.flatnonzero(count)
    if len(rows):
        cough = ready.burst_is_cough[rows]
        burst = ready.burst[rows].sum(axis=1)
        others = ((ArtefactKind.SATURATED, ready.saturated), (ArtefactKind.FLAT, ready.flat))
        named = [(ArtefactKind.COUGH, burst * cough), (ArtefactKind.MOTION, burst * ~cough)]
        named += [
            (name, flags[rows].sum(axis=1)) for name, flags in (*others, (ArtefactKind.STEP, ready.stepped))
        ]
        most = np.argmax(np.column_stack([samples for _, samples in named]), axis=1)
        kind[rows] = np.array([_KINDS.index(name) for name, _ in named])[most]
    return kind, np.round(count / width, 4)


def nothing(block: Real) -> Columns:
    """Too short or too slowly sampled to hold three breaths of any rate."""
    rows = len(block)
    nan = np.full(rows, np.nan)
    share = np.isinf(block).mean(axis=1) if block.shape[1] else np.zeros(rows)
    saturated, none = _KINDS.index(ArtefactKind.SATURATED), _KINDS.index(ArtefactKind.NONE)
    verdict = np.full(rows, _VERDICTS.index(Verdict.NOT_ASSESSABLE))
    return columns_of(
        verdict, nan, nan, nan, nan, nan, np.round(share, 4), np.where(share > 0, saturated, none)
    )


def columns_of(*values: NDArray[Any]) -> Columns:
    return dict(zip((c.name for c in EVIDENCE_COLUMNS), values, strict=True))

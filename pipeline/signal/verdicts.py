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
_MINUTE = 60.0  # seconds; a longer trace is held to the same limit


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
    seconds: float,
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
    seconds
        How long the traces are.
    """
    with np.errstate(invalid="ignore"):
        ratio = np.maximum(two.rate, one.rate) / np.minimum(two.rate, one.rate)
        near = ratio < rules.same_rate
        overtone = (np.abs(ratio / np.round(ratio) - 1) < rules.overtone) & ~near
        # What rides on a pump's cycles is the pump again; two looks at one rate are two chances to see it.
        overtone |= near & clear & pumped
    breath = clear & ~pumped
    take_two = (
        ~breath
        & is_clear(two, seconds, rules)
        & ~pump_like(two, has_coughed(ready, rules), rules)
        & ~overtone
    )
    found = breath | take_two

    def of(name: str) -> Real:
        chosen = np.where(take_two, getattr(two, name), getattr(one, name))
        return np.asarray(chosen, dtype=np.float64)

    swing = np.round(of("swing").astype(np.float64), 2)
    need = rules.least_swing if rate >= rules.alias_rate else rules.alias_swing
    can_tell = lowest <= rules.absent_covers
    present = found & (swing >= need)
    # Even cycles that may be a chest's forbid absent as breaths do; a sharp edge is a pump's alone.
    seen = found | (clear & ~sharp_edged(one, rules))
    small = seen & (swing >= rules.small_share * rules.least_swing)
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


def is_clear(b: Breaths, seconds: float, rules: TraceRules) -> Flag:
    """
    Whether structured noise would look as much like breathing less often than `false_alarm` allows.

    The score is that of a logistic regression; the tail of its distribution on noise is exponential, and
    reaches further in a short trace (`seconds`), in which chance can make all of the few cycles alike.
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
    at_one = rules.score_at_one + rules.score_short * max(0.0, np.log(_MINUTE / seconds))
    decades = (score - at_one) / rules.score_per_decade
    in_band = (b.rate <= rules.fastest) & (b.rate >= rules.band_margin * rules.slowest)
    # Noise within a narrow band (a walk) cycles too, but its cycles vary as widely as chance has it.
    wandering = b.swing_spread + b.interval_spread > rules.noise_varies
    return np.asarray(
        (b.count >= rules.least_breaths) & in_band & ~wandering & (decades >= -np.log10(rules.false_alarm))
    )


def pump_like(b: Breaths, coughed: Flag, rules: TraceRules) -> Flag:
    """
    Whether the cycles may as well be a pump's as a chest's, by their common shape, evenness, ends and size.

    A pump pulls fast and lets the pressure come back slowly over the whole cycle; a chest moves and rests: a
    sharp edge, or a slow limb that leaves no time for rest, is a pump's unless much else speaks for a chest.
    A pump with smooth cycles is told by how even they are: it works between two pressures, at a pace that
    the leak sets, while lengths and depths of breaths vary from one to the next; by where the depth varies,
    for a chest comes back to the same rest after every breath, while a pump misses either pressure alike; and
    by their size, for it is there to hold the pressure. None of these decides alone; the log odds of a
    logistic regression weigh them, and ask for more where few cycles tell how even they are.
    A ventilator's breaths are as even: where they are no larger than a pump's ripple may be, nothing in the
    trace tells the two apart. Where the patient `coughed`, the line is open to a chest, and its breath would
    come through as the cough did: that counts for a chest too.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        odds = (
            rules.chest_constant
            + rules.chest_intervals * np.log(np.hypot(b.interval_spread, rules.even_intervals))
            + rules.chest_swings * np.log(np.hypot(b.swing_spread, rules.even_swings))
            + rules.chest_one_sided * np.log(np.hypot(b.one_sided, rules.even_ends))
            + rules.chest_size * np.log(np.clip(b.swing, rules.least_swing, rules.chest_size_most))
            + rules.chest_few / np.sqrt(np.maximum(b.count, rules.least_breaths))
            + rules.chest_sharp * np.log(np.maximum(b.slow_limb * b.sharpness / rules.pump_shape, 1.0))
            + rules.chest_coughs * coughed
        )
    # However even: no pump that holds the ordered pressure lets it swing so far.
    return np.asarray((odds < 0.0) & (sharp_edged(b, rules) | ~(b.swing > rules.pump_most)))


def has_coughed(ready: Conditioned, rules: TraceRules) -> Flag:
    """Whether cough takes as much of the trace as makes a minute one of cough."""
    rows = np.flatnonzero(ready.burst_is_cough)
    coughed = np.zeros(len(ready.burst), dtype=bool)
    coughed[rows] = ready.burst[rows].mean(axis=1) > rules.artefact_share
    return coughed


def sharp_edged(b: Breaths, rules: TraceRules) -> Flag:
    """Whether the common shape is a pump's: a chest hardly moves so fast, or so slowly without a rest."""
    return np.asarray(b.slow_limb * b.sharpness > rules.pump_shape)


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

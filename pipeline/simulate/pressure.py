"""Pressure traces: what the device's sensor sees within a minute, many traces at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.simulate.therapy import Therapy

Reals = NDArray[np.float64]

# Range of the invented sensor, cm[H2O]; beyond it a sample is U or L.
SENSOR_LEAST = -100.0
SENSOR_MOST = 40.0
_CHUNK = 1000


@dataclass(frozen=True)
class Waveform:
    """
    What shapes a batch of traces; every field holds one value a trace.

    Pressures are cm[H2O], rates per minute, periods seconds. `swing_cmh2o` is the peak-to-trough
    of a typical breath at the device; `pump_cmh2o` the height of the pump's ripple.
    """

    baseline_cmh2o: Reals
    swing_cmh2o: Reals
    rate_per_min: Reals
    inverted: NDArray[np.bool_]
    heart_cmh2o: Reals
    heart_per_min: Reals
    pump_cmh2o: Reals
    pump_period_s: Reals
    cough_cmh2o: Reals
    motion_cmh2o: Reals
    invalid_share: Reals

    @classmethod
    def quiet(cls, count: int, swing_cmh2o: float = 3.0, rate_per_min: float = 16.0) -> Waveform:
        """Clean breathing at -20 cm[H2O] and nothing else: what tests start from."""
        nothing = np.zeros(count)
        return cls(
            baseline_cmh2o=np.full(count, -20.0),
            swing_cmh2o=np.full(count, swing_cmh2o),
            rate_per_min=np.full(count, rate_per_min),
            inverted=np.zeros(count, dtype=np.bool_),
            heart_cmh2o=nothing,
            heart_per_min=np.full(count, 80.0),
            pump_cmh2o=nothing,
            pump_period_s=np.full(count, 5.0),
            cough_cmh2o=nothing,
            motion_cmh2o=nothing,
            invalid_share=nothing,
        )

    def rows(self, start: int, end: int) -> Waveform:
        """The traces from `start` to before `end`."""
        return Waveform(**{name: values[start:end] for name, values in vars(self).items()})


def traces(
    lived: Therapy,
    every_min: int = 5,
    seconds: int = 30,
    rate_hz: float = 10.0,
    samples: Reals | None = None,
) -> Therapy:
    """
    Give a therapy's log pressure traces, every so many minutes, from the minute's second 0.

    Parameters
    ----------
    samples
        Pressure samples (n, m) in cm[H2O] to be used in place of simulated ones, taken in turn:
        real recordings as the traces of an otherwise simulated log. Their mean is moved to the
        minute's, their swing is left alone.

    Returns
    -------
    The therapy with `samples_cmh2o` (list; null where untraced) and `rate_hz` in its log, and each
    traced minute's least and greatest pressure widened to hold its trace.
    """
    chosen = np.flatnonzero(_minute_numbers(lived) % every_min == 0)
    rng = lived.stream("traces")
    if samples is None:
        found = waveforms(rng, waveform_of(lived, chosen, rng), seconds, rate_hz)
    else:
        mean = lived.log["pressure_mean_cmh2o"].to_numpy()[chosen]
        taken = samples[np.arange(len(chosen)) % len(samples)]
        found = digitise(taken - np.nanmean(taken, axis=1, keepdims=True) + mean[:, None])
    return _attach(lived, chosen, found, rate_hz)


def waveform_of(lived: Therapy, chosen: NDArray[np.int64], rng: np.random.Generator) -> Waveform:
    """
    What shapes the traces of the chosen rows of a therapy's log.

    The heart comes through with 0.05 to 0.35 cm[H2O], in the measure in which a breath does. While
    air leaks the pump ripples with 0.1 to 1 cm[H2O] and a period of 2 to 20 s that shortens as
    the leak grows. Two traces in a hundred have a share of invalid samples. All our judgement.
    """
    truth = lived.truth[_minute_numbers(lived)[chosen]]
    n = len(chosen)
    swing = truth["swing_cmh2o"].to_numpy()
    through = np.clip(swing / (lived.plan.swing_cmh2o * lived.plan.transmission), 0.0, 1.0)
    flow = truth["flow_ml_min"].to_numpy()
    return Waveform(
        baseline_cmh2o=lived.log["pressure_mean_cmh2o"].to_numpy()[chosen],
        swing_cmh2o=swing,
        rate_per_min=truth["breath_rate_per_min"].to_numpy(),
        inverted=truth["inverted"].to_numpy(),
        heart_cmh2o=rng.uniform(0.05, 0.35, n) * through,
        heart_per_min=lived.plan.heart_rate_per_min * rng.lognormal(0, 0.06, n),
        pump_cmh2o=np.where(flow > 10, rng.uniform(0.1, 1.0, n), 0.0),
        pump_period_s=np.clip(1200 / np.maximum(flow, 20) * rng.lognormal(0, 0.1, n), 2, 20),
        cough_cmh2o=np.where(truth["coughing"].to_numpy(), rng.uniform(8, 35, n) * through, 0.0),
        motion_cmh2o=np.where(
            truth["walking"].to_numpy(), rng.uniform(1, 5, n) * np.maximum(through, 0.2), 0.0
        ),
        invalid_share=np.where(rng.random(n) < 0.02, rng.uniform(0.02, 0.4, n), 0.0),
    )


def waveforms(rng: np.random.Generator, shape: Waveform, seconds: float, rate_hz: float) -> Reals:
    """
    Draw pressure traces, (n, seconds x rate_hz) in cm[H2O].

    A breath is no sine: pressure falls over an inspiration of some 0.38 of the breath along half a
    cosine and comes back along an exponential with an end-expiratory rest (textbook shape, from
    memory). Breath by breath the interval varies by 8 % and the depth by 15 %; two in a hundred are
    sighs, two in a hundred are followed by a rest (our judgement). A cough is a bout of one to five
    thrusts of 0.2 to 0.6 s, half a second apart. Heart: a sine with its first harmonic. Pump: a
    sharp fall and a slow return, period steady within 2 %. Motion: noise between about 0.3 and 3 Hz.
    Drift: a few tenths over the trace. Values are rounded to 0.1; outside the sensor's range they
    are infinite, invalid ones NaN.

    Examples
    --------
    >>> waveforms(np.random.default_rng(1), Waveform.quiet(2), 30, 10.0).shape
    (2, 300)
    """
    count = round(seconds * rate_hz)
    found = np.empty((len(shape.baseline_cmh2o), count))
    for start in range(0, len(found), _CHUNK):
        part = shape.rows(start, start + _CHUNK)
        found[start : start + _CHUNK] = _analogue(rng, part, np.arange(count) / rate_hz)
    return digitise(found)


def digitise(pressure: Reals) -> Reals:
    """Round to the sensor's 0.1 and mark what lies outside its range as infinite."""
    rounded = np.round(pressure, 1)
    rounded = np.where(rounded > SENSOR_MOST, np.inf, rounded)
    return np.where(rounded < SENSOR_LEAST, -np.inf, rounded)


def _analogue(rng: np.random.Generator, shape: Waveform, t: Reals) -> Reals:
    n, m = len(shape.baseline_cmh2o), len(t)
    sign = np.where(shape.inverted, 1.0, -1.0)[:, None]
    pressure = shape.baseline_cmh2o[:, None] + sign * shape.swing_cmh2o[:, None] * _breaths(rng, shape, t)
    beat = 2 * np.pi * (shape.heart_per_min[:, None] / 60 * t + rng.random((n, 1)))
    pressure += shape.heart_cmh2o[:, None] / 2 * (np.sin(beat) + 0.4 * np.sin(2 * beat + 1))
    pressure += shape.pump_cmh2o[:, None] * _pump(rng, shape, t)
    pressure += (rng.normal(0, 0.15, (n, 1)) * (t / max(t[-1], 1.0) - 0.5)) + 0.03 * rng.standard_normal(
        (n, m)
    )
    pressure += _motion(rng, shape.motion_cmh2o, t)
    _cough(rng, pressure, shape.cough_cmh2o, t)
    _invalidate(rng, pressure, shape.invalid_share)
    return pressure


def _breaths(rng: np.random.Generator, shape: Waveform, t: Reals) -> Reals:
    """Unit breaths of mean zero: +0.6 or so at the end of inspiration, -0.4 or so at rest."""
    n = len(shape.rate_per_min)
    most = int(np.ceil(t[-1] * shape.rate_per_min.max() / 60 * 1.6)) + 4
    machine = shape.inverted[:, None]
    interval = (
        60
        / shape.rate_per_min[:, None]
        * np.exp(np.where(machine, 0.002, 0.08) * rng.standard_normal((n, most)))
    )
    interval *= np.where((rng.random((n, most)) < 0.02) & ~machine, 1.7, 1.0)
    depth = np.exp(np.where(machine, 0.02, 0.15) * rng.standard_normal((n, most)))
    depth *= np.where((rng.random((n, most)) < 0.02) & ~machine, 1.8, 1.0)
    starts = np.cumsum(interval, axis=1) - interval - rng.random((n, 1)) * interval[:, :1]

    # One sorted line of all traces' breath starts, each trace far enough from the next.
    apart = 10 * (t[-1] + 60.0)
    row = np.arange(n)[:, None]
    flat = (starts + row * apart).ravel()
    at = np.searchsorted(flat, (t + row * apart).ravel(), side="right") - 1
    phase = ((t + row * apart).ravel() - flat[at]) / interval.ravel()[at]
    inspiration, fall = 0.38, 3.5
    inward = 0.5 * (1 - np.cos(np.pi * np.clip(phase / inspiration, 0, 1)))
    back = np.exp(-fall * np.clip((phase - inspiration) / (1 - inspiration), 0, 1))
    floor = np.exp(-fall)
    wave = np.where(phase < inspiration, inward, (back - floor) / (1 - floor))
    centre = 0.5 * inspiration + (1 - inspiration) * ((1 - floor) / fall - floor) / (1 - floor)
    return np.asarray(((wave - centre) * depth.ravel()[at]).reshape(n, len(t)))


def _pump(rng: np.random.Generator, shape: Waveform, t: Reals) -> Reals:
    n = len(shape.pump_period_s)
    period = shape.pump_period_s[:, None] * (1 + 0.02 * np.sin(2 * np.pi * (t / 40 + rng.random((n, 1)))))
    phase = (t / period + rng.random((n, 1))) % 1.0
    return np.asarray(np.where(phase < 0.15, -phase / 0.15, -1 + (phase - 0.15) / 0.85) + 0.5)


def _motion(rng: np.random.Generator, height: Reals, t: Reals) -> Reals:
    n = len(height)
    total = np.zeros((n, len(t)))
    for _ in range(8):
        hertz = np.exp(rng.uniform(np.log(0.3), np.log(3.0), (n, 1)))
        loud = rng.rayleigh(0.35, (n, 1))
        swell = 0.5 + 0.5 * np.sin(2 * np.pi * (rng.uniform(0.02, 0.15, (n, 1)) * t + rng.random((n, 1))))
        total += loud * swell * np.sin(2 * np.pi * (hertz * t + rng.random((n, 1))))
    return total * height[:, None]


def _cough(rng: np.random.Generator, pressure: Reals, height: Reals, t: Reals) -> None:
    """Add one bout to each trace that has a cough, somewhere in its minute: it may miss the trace."""
    bout = rng.uniform(0, 60, len(height))
    for thrust in range(5):
        begins = bout + 0.55 * thrust + rng.uniform(0, 0.15, len(height))
        lasts = rng.uniform(0.2, 0.6, len(height))
        strong = height * rng.uniform(0.5, 1.0, len(height)) * (rng.integers(1, 6, len(height)) > thrust)
        phase = (t - begins[:, None]) / lasts[:, None]
        pressure += np.where((phase > 0) & (phase < 1), strong[:, None] * np.sin(np.pi * phase), 0.0)
        # Beyond the thrust the sine is negative: a shallow recoil below the resting pressure.
        pressure += np.where((phase > 1) & (phase < 2), 0.25 * strong[:, None] * np.sin(np.pi * phase), 0.0)


def _invalidate(rng: np.random.Generator, pressure: Reals, share: Reals) -> None:
    """Blank one run of samples a trace, as a sensor that loses contact does."""
    m = pressure.shape[1]
    begins = (rng.random(len(share)) * m * (1 - share)).astype(np.int64)
    column = np.arange(m)
    pressure[(column >= begins[:, None]) & (column < (begins + share * m)[:, None])] = np.nan


def _minute_numbers(lived: Therapy) -> NDArray[np.int64]:
    since = lived.log["minute"] - pl.Series([lived.start]).cast(lived.log.schema["minute"])
    return since.dt.total_minutes().to_numpy()


def _attach(lived: Therapy, chosen: NDArray[np.int64], found: Reals, rate_hz: float) -> Therapy:
    valued = np.where(np.isfinite(found), found, np.nan)
    least = np.full(lived.log.height, np.nan)
    most = np.full(lived.log.height, np.nan)
    least[chosen] = np.nan_to_num(np.nanmin(valued, axis=1, initial=np.inf), posinf=np.nan)
    most[chosen] = np.nan_to_num(np.nanmax(valued, axis=1, initial=-np.inf), neginf=np.nan)
    column = pl.DataFrame(
        {"row": chosen, "samples_cmh2o": pl.Series(found.astype(np.float32)).arr.to_list()},
        schema_overrides={"row": pl.Int64},
    )
    log = (
        lived.log.drop("samples_cmh2o", "rate_hz", strict=False)
        .with_row_index("row")
        .with_columns(pl.col("row").cast(pl.Int64))
        .join(column, on="row", how="left", maintain_order="left")
        .drop("row")
        .with_columns(
            pl.min_horizontal("pressure_min_cmh2o", pl.Series(least).fill_nan(None)),
            pl.max_horizontal("pressure_max_cmh2o", pl.Series(most).fill_nan(None)),
            pl.when(pl.col("samples_cmh2o").is_not_null()).then(pl.lit(rate_hz)).alias("rate_hz"),
        )
    )
    return Therapy(lived.seed, lived.start, lived.plan, lived.truth, log, lived.definitions)

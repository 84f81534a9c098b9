"""Trace cells turned into pressure samples, in our unit and sign."""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl

from pipeline.definitions import PlausibleRules
from pipeline.ingest.identity import preamble_value
from pipeline.ingest.numbers import suction_sign
from pipeline.ingest.page import Page
from pipeline.ingest.profile import Profile
from pipeline.ingest.rules import FAULTS, Rule, no_faults
from pipeline.ingest.units import Quantity, factor_to_ours
from pipeline.signal import decode
from schemas.errors import InputError
from schemas.table import REAL, SAMPLES
from schemas.vocabulary import RejectScope

_FASTEST_HZ = 1000.0


@dataclass(frozen=True)
class TraceSettings:
    """
    How a trace's numbers become pressure in cm[H2O]: origin + factor × number.

    Parameters
    ----------
    sign
        -1 where the layout writes pressures as strengths of suction.
    """

    rate_hz: float
    factor: float
    origin: float
    sign: float


@dataclass(frozen=True)
class Traces:
    """`line`, `rate_hz` and `samples_cmh2o` of each readable trace, and a record for each other one."""

    rows: pl.DataFrame
    faults: pl.DataFrame


def trace_settings(page: Page, profile: Profile) -> TraceSettings | None:
    """
    What profile or preamble say of the traces; null where they say nothing usable.

    A layout without usable settings keeps its minutes and loses its traces, each with a record.
    """
    if profile.trace is None:
        return None
    said = profile.trace.model_dump(exclude={"line"})
    if profile.trace.line is not None:
        text = preamble_value(page, profile.trace.line, "settings", "trace") or ""
        said = dict(part.split("=", 1) for part in text.split() if "=" in part)
    try:
        rate, factor, origin = (float(said[key]) for key in ("rate_hz", "factor", "origin"))
        unit = factor_to_ours(said["unit"], Quantity.PRESSURE)
    except (KeyError, ValueError, InputError):
        return None
    if not (0 < rate <= _FASTEST_HZ and math.isfinite(factor) and factor != 0 and math.isfinite(origin)):
        return None
    return TraceSettings(rate, factor * unit, origin * unit, suction_sign("pressure_mean", profile))


def read_traces(
    cells: pl.DataFrame, settings: TraceSettings | None, missing: tuple[str, ...], plausible: PlausibleRules
) -> Traces:
    """
    Decode the traces of the rows kept.

    A trace that holds anything but numbers and the letters E, U and L, that is longer than the
    minute or that has a sample beyond what is plausible is left out whole, with a record: a wrong
    factor is likelier than one wrong sample.

    Parameters
    ----------
    cells
        `line` and `trace`, the text, null where the minute has none.
    """
    trimmed = cells.with_columns(text=pl.col("trace").str.strip_chars())
    traced = trimmed.filter(~pl.col("text").is_in(["", *missing]))
    if not traced.height:
        return Traces(
            pl.DataFrame(schema={"line": pl.Int32(), "rate_hz": REAL, "samples_cmh2o": SAMPLES}), no_faults()
        )
    if settings is None:
        return Traces(
            pl.DataFrame(schema={"line": pl.Int32(), "rate_hz": REAL, "samples_cmh2o": SAMPLES}),
            _faults(traced, pl.lit(Rule.TRACE_SETTINGS_MISSING.value)),
        )
    decoded = decode(traced["text"], settings.origin, settings.factor)
    samples = traced.with_columns(samples_cmh2o=decoded)
    if settings.sign < 0:
        # Infinities too: above the range of a strength is below the range of a pressure.
        samples = samples.with_columns(pl.col("samples_cmh2o").list.eval(-pl.element()))
    doubtful = samples.filter(~_plainly_sound(settings, plausible).fill_null(value=False))
    if doubtful.height:
        found = doubtful.select("line", rule=_rule(settings, plausible)).drop_nulls("rule")
        judged = samples.join(found, on="line", how="left", maintain_order="left")
    else:
        judged = samples.with_columns(rule=pl.lit(None, dtype=pl.String()))
    sound = judged.filter(pl.col("rule").is_null())
    return Traces(
        sound.select("line", rate_hz=pl.lit(settings.rate_hz, dtype=REAL), samples_cmh2o="samples_cmh2o"),
        _faults(judged.drop_nulls("rule"), pl.col("rule")),
    )


def _plainly_sound(settings: TraceSettings, plausible: PlausibleRules) -> pl.Expr:
    """Short enough and plausible at both extremes, as nearly all are: no rule needs a look at each sample."""
    samples = pl.col("samples_cmh2o")
    return (
        (samples.list.len() <= _longest(settings, plausible))
        & (samples.list.min() >= plausible.pressure_least)
        & (samples.list.max() <= plausible.pressure_most)
    )


def _longest(settings: TraceSettings, plausible: PlausibleRules) -> int:
    return math.floor(plausible.trace_longest * settings.rate_hz)


def _rule(settings: TraceSettings, plausible: PlausibleRules) -> pl.Expr:
    samples = pl.col("samples_cmh2o")
    wild = samples.list.eval(
        pl.element().is_finite() & ~pl.element().is_between(plausible.pressure_least, plausible.pressure_most)
    ).list.any()
    # A number too great for a sample reads as infinite, which only the letters U and L may mean.
    saturated = samples.list.eval(pl.element().is_infinite()).list.sum()
    wild |= saturated != pl.col("text").str.count_matches("[UL]")
    return (
        pl.when(samples.is_null())
        .then(pl.lit(Rule.TRACE_UNREADABLE.value))
        .when(samples.list.len() > _longest(settings, plausible))
        .then(pl.lit(Rule.TRACE_TOO_LONG.value))
        .when(wild)
        .then(pl.lit(Rule.VALUE_OUT_OF_RANGE.value))
    )


def _faults(traced: pl.DataFrame, rule: pl.Expr) -> pl.DataFrame:
    return traced.select(
        "line", scope=pl.lit(RejectScope.CELL.value), column=pl.lit("trace"), rule=rule, value="text"
    ).cast(FAULTS)  # type: ignore[arg-type]

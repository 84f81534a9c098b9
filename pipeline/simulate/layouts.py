"""Rows of a device as files: drain log version 1, and the layout of the invented site `north`."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from schemas.vocabulary import AlertCode

HEADER_V1 = (
    "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,"
    "air_leak,canister_volume,tilt,battery,mains,alerts,trace"
)
HEADER_NORTH = (
    "No;Start;Use;Mode;Ordered (kPa);Pressure (kPa);Lowest (kPa);Highest (kPa);Leak (L/min);"
    "Canister (cL);Tilt (rad);Charge;Power;Messages"
)
CMH2O_IN_KPA = 0.0980665

_NORTH_MODES = {"run": "on", "pause": "hold", "check": "test"}
_NORTH_MESSAGES = {str(code): f"M{number}" for number, code in enumerate(AlertCode, start=1)}


@dataclass(frozen=True)
class TraceFormat:
    """How a trace's numbers stand for pressures: value = origin + factor x number."""

    rate_hz: float = 10.0
    factor: float = 0.1
    origin: float = 0.0


def write_v1(
    rows: pl.DataFrame,
    device: str,
    exported_at: datetime,
    timezone: str,
    site: str | None = None,
    trace: TraceFormat | None = None,
    newline: str = "\n",
    end: bool = True,
) -> bytes:
    """
    Write rows as a drain log of version 1.

    Parameters
    ----------
    rows
        `record`, `clock` (naive), `session`, the readings, and `samples_cmh2o` where there are traces.
    exported_at
        With a time zone.
    trace
        Needed where rows have traces; its `rate_hz` must be theirs.
    end
        Whether to close with the line that tells a whole file from a cut-off one.
    """
    preamble = ["# drain-log: 1"]
    if site is not None:
        preamble.append(f"# site: {site}")
    preamble += [
        f"# device: {device}",
        f"# exported_at: {exported_at.isoformat(timespec='seconds')}",
        f"# timezone: {timezone}",
    ]
    if trace is not None:
        numbers = f"rate_hz={trace.rate_hz:g} factor={trace.factor:g} origin={trace.origin:g}"
        preamble.append(f"# trace: {numbers} unit=cm[H2O]")
    samples = (
        encode(rows["samples_cmh2o"], trace or TraceFormat())
        if "samples_cmh2o" in rows.columns
        else pl.Series([None] * rows.height, dtype=pl.String)
    )
    lines = rows.select(
        pl.concat_str(
            _text("record", 0),
            pl.col("clock").dt.strftime("%Y-%m-%dT%H:%M"),
            _text("session", 0),
            "state",
            _text("set_pressure_cmh2o", 0),
            *(_text(f"pressure_{part}_cmh2o", 1) for part in ("mean", "min", "max")),
            _text("air_leak_ml_min", 0),
            _text("canister_volume_ml", 0),
            _text("tilt_deg", 1),
            _text("battery_pct", 0),
            pl.col("mains").cast(pl.Int8).cast(pl.String).fill_null(""),
            pl.col("alerts").list.join(";").fill_null(""),
            samples.fill_null("").alias("trace"),
            separator=",",
        )
    ).to_series()
    closing = [f"# end: rows={rows.height}"] if end else []
    return _joined([*preamble, HEADER_V1, *lines, *closing], newline).encode()


def encode(samples: pl.Series, form: TraceFormat) -> pl.Series:
    """
    Samples as the text of FHIR's SampledData: numbers, `E` invalid, `U` above and `L` below range.

    Examples
    --------
    >>> encode(pl.Series([[-19.8, float("nan"), float("inf")], None]), TraceFormat()).to_list()
    ['-198 E U', None]
    """
    value = pl.col("value")
    words = (
        pl.when(value.is_nan())
        .then(pl.lit("E"))
        .when(value.is_infinite())
        .then(pl.when(value > 0).then(pl.lit("U")).otherwise(pl.lit("L")))
        .otherwise(((value - form.origin) / form.factor).round().cast(pl.Int64, strict=False).cast(pl.String))
    )
    return (
        pl.DataFrame({"value": samples.cast(pl.List(pl.Float64))})
        .with_row_index("row")
        .explode("value")
        .group_by("row", maintain_order=True)
        .agg(words.str.join(" ").alias("text"), value.is_null().all().alias("none"))
        .select(pl.when(~pl.col("none")).then("text"))
        .to_series()
        .alias("trace")
    )


def write_north(rows: pl.DataFrame, exported_at: datetime) -> bytes:
    """
    Write rows in the layout of the invented site `north`.

    Windows-1252, CRLF, semicolons, decimal commas, kPa, L/min, cL and radians; ordered suction as
    a strength; `--` for a missing value; no line that closes the file, and no traces.

    Parameters
    ----------
    exported_at
        Written in local time; must carry the site's zone.
    """
    kpa = CMH2O_IN_KPA
    lines = rows.select(
        pl.concat_str(
            _text("record", 0, missing="--"),
            pl.col("clock").dt.strftime("%d.%m.%Y %H:%M"),
            _text("session", 0),
            pl.col("state").replace_strict(_NORTH_MODES),
            _comma(-pl.col("set_pressure_cmh2o") * kpa, 3),
            *(_comma(pl.col(f"pressure_{part}_cmh2o") * kpa, 3) for part in ("mean", "min", "max")),
            _comma(pl.col("air_leak_ml_min") / 1000, 3),
            _comma(pl.col("canister_volume_ml") / 10, 1),
            _comma(pl.col("tilt_deg") * (np.pi / 180), 3),
            _text("battery_pct", 0, missing="--"),
            pl.when("mains")
            .then(pl.lit("net"))
            .when(~pl.col("mains"))
            .then(pl.lit("batt"))
            .otherwise(pl.lit("--")),
            pl.col("alerts")
            .list.eval(pl.element().replace(_NORTH_MESSAGES).str.strip_prefix("other:"))
            .list.join(" ")
            .fill_null("--"),
            separator=";",
        )
    ).to_series()
    preamble = ["Ward share export;2", f"Written;{exported_at:%d.%m.%Y %H:%M}", HEADER_NORTH]
    return _joined([*preamble, *lines], "\r\n").encode("cp1252")


def compressed(data: bytes) -> bytes:
    """Gzip without a time in its header, so that the same rows give the same bytes."""
    return gzip.compress(data, compresslevel=9, mtime=0)


def _text(name: str, decimals: int, missing: str = "") -> pl.Expr:
    return _fixed(pl.col(name), decimals).fill_null(missing)


def _comma(value: pl.Expr, decimals: int) -> pl.Expr:
    return _fixed(value, decimals).str.replace(".", ",", literal=True).fill_null("--")


def _fixed(value: pl.Expr, decimals: int) -> pl.Expr:
    """A number with so many decimals, never `-0`."""
    if decimals == 0:
        return value.round().cast(pl.Int64).cast(pl.String)
    return (value.round(decimals) + 0.0).cast(pl.Decimal(12, decimals)).cast(pl.String)


def _joined(lines: list[str], newline: str) -> str:
    return newline.join(lines) + newline

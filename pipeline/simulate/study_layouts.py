"""Rows of a device as files of two more invented sites: `harbour`, a ward's dump, and `upland`, a study's."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from pipeline.simulate.layouts import CMH2O_IN_KPA, TraceFormat, encode

HEADER_HARBOUR = (
    "Serial,Exported,Count,Date,Time,Patient no,Phase,Suction ordered,Suction,Suction least,"
    "Suction greatest,Leak,Fluid,Battery,Plugged in,Alarms,Remark"
)
HEADER_UPLAND = "time\tuse\tstate\torder\tp\tp low\tp high\tleak\tcanister\tangle\talerts\twave"
# The wave's settings stand in the site's profile: they are in no file.
UPLAND_TRACE = TraceFormat(rate_hz=12.5, factor=0.05, origin=-30.0)
CMH2O_IN_MBAR = CMH2O_IN_KPA * 10
CMH2O_IN_MMHG = CMH2O_IN_KPA / 0.133322
MRAD_IN_DEG = 3.141592653589793 / 180 * 1000

_HARBOUR_PHASES = {"run": "therapy", "pause": "standby", "check": "leak test"}
_HARBOUR_ALARMS = {
    "canister_full": "full",
    "battery_low": "accu",
    "line_blocked": "kink",
    "pause_long": "standby",
}
_UPLAND_STATES = {"run": "R", "pause": "P", "check": "C"}
_UPLAND_ALERTS = {"canister_full": "bag", "line_blocked": "line"}


def write_harbour(rows: pl.DataFrame, device: str, exported_at: datetime) -> bytes:
    """
    Write rows in the layout of the invented site `harbour`.

    Suction as a strength in mmHg, flow in L/h, fluid in dL, charge as a share; the date of export in
    UTC; no tilt, no traces. Missing values are `n/a`.

    Parameters
    ----------
    rows
        `record`, `clock` (naive, winter time all year), `session` and the readings.
    exported_at
        With a time zone.
    """
    mmhg = -CMH2O_IN_MMHG
    exported = f"{exported_at.astimezone(UTC):%Y-%m-%d %H:%M:%S}"
    strength = {"mean": "mean", "least": "max", "greatest": "min"}
    lines = rows.select(
        pl.concat_str(
            pl.lit(device),
            pl.lit(exported),
            pl.col("record").cast(pl.String).fill_null("n/a"),
            pl.col("clock").dt.strftime("%Y-%m-%d"),
            pl.col("clock").dt.strftime("%H:%M:%S"),
            pl.col("session").cast(pl.String),
            pl.col("state").replace_strict(_HARBOUR_PHASES),
            _point(pl.col("set_pressure_cmh2o") * mmhg, 1),
            *(_point(pl.col(f"pressure_{name}_cmh2o") * mmhg, 1) for name in strength.values()),
            _point(pl.col("air_leak_ml_min") * 0.06, 2),
            _point(pl.col("canister_volume_ml") / 100, 2),
            _point(pl.col("battery_pct") / 100, 2),
            pl.when("mains").then(pl.lit("yes")).otherwise(pl.lit("no")),
            _codes(_HARBOUR_ALARMS, "/").fill_null("n/a"),
            pl.lit(""),
            separator=",",
        )
    ).to_series()
    return ("\n".join([HEADER_HARBOUR, *lines]) + "\n").encode()


def write_upland(rows: pl.DataFrame, device: str, offset: str) -> bytes:
    """
    Write rows in the layout of the invented site `upland`.

    Tab-separated, pressures in mbar, tilt in milliradians, times with their `offset` from UTC
    (`+0545`), and a wave of 12.5 Hz where `samples_cmh2o` is there. No counter, no power. Missing
    values are `?`.
    """
    samples = pl.Series([None] * rows.height, dtype=pl.String)
    if "samples_cmh2o" in rows.columns:
        in_mbar = rows.select(pl.col("samples_cmh2o").list.eval(pl.element() * CMH2O_IN_MBAR)).to_series()
        samples = encode(in_mbar, UPLAND_TRACE)
    lines = rows.select(
        pl.concat_str(
            pl.col("clock").dt.strftime(f"%Y-%m-%dT%H:%M:%S{offset}"),
            pl.col("session").cast(pl.String),
            pl.col("state").replace_strict(_UPLAND_STATES),
            _point(pl.col("set_pressure_cmh2o") * CMH2O_IN_MBAR, 1, "?"),
            *(
                _point(pl.col(f"pressure_{name}_cmh2o") * CMH2O_IN_MBAR, 2, "?")
                for name in ("mean", "min", "max")
            ),
            _point(pl.col("air_leak_ml_min"), 0, "?"),
            _point(pl.col("canister_volume_ml"), 0, "?"),
            _point(pl.col("tilt_deg") * MRAD_IN_DEG, 0, "?"),
            _codes(_UPLAND_ALERTS, "|").fill_null("?"),
            samples.fill_null("").alias("wave"),
            separator="\t",
        )
    ).to_series()
    preamble = ["% upland pressure study", f"% drain {device}", HEADER_UPLAND]
    return ("\n".join([*preamble, *lines, f"% rows {rows.height}"]) + "\n").encode()


def _codes(known: dict[str, str], separator: str) -> pl.Expr:
    spelt = pl.element().replace(known).str.strip_prefix("other:")
    return pl.col("alerts").list.eval(spelt).list.join(separator)


def _point(value: pl.Expr, decimals: int, missing: str = "n/a") -> pl.Expr:
    """A number with so many decimals, never `-0`."""
    rounded = (value.round(decimals) + 0.0).cast(pl.Decimal(12, decimals)).cast(pl.String)
    return rounded.fill_null(missing)

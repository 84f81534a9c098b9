"""
The peer: the same job as a practitioner would write it today with pandas, SciPy, scikit-learn and neurokit2.

One plain script, file by file and trace by trace: read version-1 logs, join the exports of a device, look for
breathing in every trace, flag what a spreadsheet would flag, fit the fluid, find the end of the leak, join the
registry and write one row a drain. It leaves out what such a script leaves out: rejected rows, clocks that step,
uncertainty, periods with grades, versions, privacy. `python -m tests.benchmarks.peer LOGS REGISTRY OUT.csv`
"""

from __future__ import annotations

import gzip
import sys
from pathlib import Path

import neurokit2 as nk
import numpy as np
import pandas as pd
from scipy import signal
from sklearn.isotonic import IsotonicRegression

TILTED_ABOVE_DEG = 10
LEAK_ABOVE_ML_MIN = 20
PROLONGED_AFTER_HOURS = 120


def read_log(path: Path) -> pd.DataFrame:
    """One export: its preamble as columns, its minutes in UTC."""
    with gzip.open(path, "rt") if path.suffix == ".gz" else path.open() as file:
        preamble = {}
        lines = file.readlines()
    header = next(number for number, line in enumerate(lines) if not line.startswith("#"))
    for line in lines[:header]:
        key, _, value = line.strip("# \r\n").partition(":")
        preamble[key] = value.strip()
    names = lines[header].strip().split(",")
    body = [line.rstrip("\r\n").split(",") for line in lines[header + 1 :] if not line.startswith("#")]
    log = pd.DataFrame([row for row in body if len(row) == len(names)], columns=names)
    numbers = [name for name in names if name not in ("clock", "state", "alerts", "trace")]
    log[numbers] = log[numbers].apply(pd.to_numeric, errors="coerce")
    local = pd.to_datetime(log["clock"], errors="coerce")
    log["minute"] = local.dt.tz_localize(
        preamble["timezone"], ambiguous="NaT", nonexistent="shift_forward"
    ).dt.tz_convert("UTC")
    log["device"] = preamble["device"]
    log["exported_at"] = pd.to_datetime(preamble["exported_at"], utc=True)
    trace = dict(part.split("=", 1) for part in preamble.get("trace", "").split() if "=" in part)
    log["rate_hz"] = float(trace.get("rate_hz", "nan"))
    log["factor"] = float(trace.get("factor", "nan"))
    return log.dropna(subset=["minute", "session"])


def breathing(text: str, rate_hz: float, factor: float) -> tuple[float, float]:
    """Breaths a minute and the median swing of one trace; NaN where nothing was found."""
    samples = (
        pd.to_numeric(pd.Series(text.split()), errors="coerce").interpolate().bfill().to_numpy() * factor
    )
    if len(samples) < 10 * rate_hz or not np.isfinite(samples).all() or samples.std() == 0:
        return np.nan, np.nan
    try:
        cleaned = nk.rsp_clean(signal.detrend(samples), sampling_rate=int(rate_hz))
        _, found = nk.rsp_peaks(cleaned, sampling_rate=int(rate_hz))
    except (ValueError, IndexError, ZeroDivisionError):
        return np.nan, np.nan
    peaks, troughs = found["RSP_Peaks"], found["RSP_Troughs"]
    if len(peaks) < 3:
        return np.nan, np.nan
    depth = min(len(peaks), len(troughs))
    swing = np.median(np.abs(cleaned[peaks[:depth]] - cleaned[troughs[:depth]]))
    return 60 * rate_hz / np.median(np.diff(peaks)), float(swing)


def add_breathing(log: pd.DataFrame) -> None:
    """Rate, swing and whether the patient was seen to breathe, where there is a trace; else by the envelope."""
    log["rate"] = np.nan
    log["swing"] = np.nan
    traced = log["trace"].fillna("").str.len() > 0
    for row in log[traced].itertuples():
        log.loc[row.Index, ["rate", "swing"]] = breathing(row.trace, row.rate_hz, row.factor)
    envelope = (
        (log["pressure_max"] - log["pressure_min"]).rolling(15, center=True, min_periods=8).quantile(0.2)
    )
    log["tidaling"] = np.where(traced, log["swing"] >= 0.5, envelope >= 0.8)


def add_fluid(log: pd.DataFrame) -> None:
    """Fluid since the use began: canister by canister, never falling."""
    reading = log["canister_volume"].where(~log["tilted"]).to_numpy(float)
    known = np.flatnonzero(np.isfinite(reading))
    fallen = np.zeros(len(log), int)
    if len(known) > 1:
        change = np.flatnonzero(np.diff(reading[known]) < -30)
        fallen[known[change + 1]] = 1
    log["canister"] = fallen.cumsum()
    total, before = np.full(len(log), np.nan), 0.0
    for _, part in log.groupby("canister"):
        volume = part["canister_volume"].where(~part["tilted"]).dropna()
        if volume.empty:
            continue
        fitted = IsotonicRegression().fit_transform(np.arange(len(volume)), volume)
        total[log.index.get_indexer(volume.index)] = before + fitted
        before += fitted[-1]
    log["output"] = pd.Series(total, log.index).ffill()


def course(log: pd.DataFrame) -> pd.DataFrame:
    """One use: flags, breathing, fluid and leak of every minute."""
    log = log.sort_values("exported_at").drop_duplicates("minute", keep="last")
    log = log.set_index("minute").sort_index().asfreq("min")
    log["missing"] = log["state"].isna()
    log["tilted"] = log["tilt"] > TILTED_ABOVE_DEG
    log["paused"] = log["state"] == "pause"
    short = (log["pressure_mean"] - log["set_pressure"]) > np.maximum(2, 0.2 * log["set_pressure"].abs())
    log["shortfall"] = short.rolling(10).min() == 1
    log["line_open"] = (log["air_leak"] > 1500) & (
        log["pressure_mean"].abs() < 0.5 * log["set_pressure"].abs()
    )
    add_breathing(log)
    add_fluid(log)
    running = (log["state"] == "run") & ~log["line_open"]
    leak = log["air_leak"].where(running)
    log["leak_on"] = leak.rolling(61, center=True, min_periods=30).median() > LEAK_ABOVE_ML_MIN
    absent = ~log["tidaling"].fillna(value=False).astype(bool) & (log["air_leak"] <= 10) & running
    log["occlusion"] = absent.rolling(30).min() == 1
    return log


def drains(logs: dict[tuple[str, int], pd.DataFrame], registry: pd.DataFrame) -> pd.DataFrame:
    """One row a registry drain, from the uses that it names."""
    rows = []
    for drain in registry.itertuples():
        pairs = [pair.split("/") for pair in str(drain.uses).split(";") if "/" in pair]
        uses = [logs[device, int(session)] for device, session in pairs if (device, int(session)) in logs]
        if not uses:
            continue
        joined = pd.concat(uses).sort_index()
        joined = joined[~joined.index.duplicated()]
        origin = pd.to_datetime(drain.procedure_end_at or drain.tube_in_at, utc=True)
        leaking = joined.index[joined["leak_on"]]
        hours = (leaking[-1] - origin).total_seconds() / 3600 if len(leaking) else 0.0
        rows.append(
            {
                "drain": drain.drain_key,
                "unit": drain.unit,
                "minutes": int((~joined["missing"]).sum()),
                "tilted_minutes": int(joined["tilted"].sum()),
                "shortfall_minutes": int(joined["shortfall"].sum()),
                "occlusion_minutes": int(joined["occlusion"].sum()),
                "output_ml": float(sum(use["output"].max() for use in uses)),
                "leak_hours": hours,
                "prolonged": hours > PROLONGED_AFTER_HOURS,
                "swing": float(joined["swing"].median()),
                "rate": float(joined["rate"].median()),
            }
        )
    return pd.DataFrame(rows)


def main(logs: Path, registry: Path, out: Path) -> None:
    """The whole job, from a folder of logs to a CSV of drains."""
    every = pd.concat([read_log(path) for path in sorted(logs.rglob("*.csv*"))], ignore_index=True)
    uses = {
        (str(device), int(session)): course(use)
        for (device, session), use in every.groupby(["device", "session"])
    }
    wards = pd.concat([pd.read_csv(path, comment="#", dtype=str) for path in sorted(registry.glob("*.csv"))])
    last = wards.drop_duplicates(["site", "drain_key"], keep="last")
    drains(uses, last).to_csv(out, index=False)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))

"""Columns that several tables of the lake share."""

from __future__ import annotations

from schemas.table import COUNT, FLAG, REAL, TEXT, TEXTS, WHOLE, Column, words_of
from schemas.vocabulary import State

SITE = Column("site", TEXT, "Site (hospital) the log came from.", nullable=False)
DEVICE = Column("device", TEXT, "Serial of the drain; unique within its site.", nullable=False)
SESSION = Column("session", WHOLE, "The device's own count of uses.", nullable=False, least=0)
FILE = Column("file_sha256", TEXT, "SHA-256 of the file's bytes as they were given.", nullable=False)
LINE = Column("line", COUNT, "Line in the file, counted from 1.", nullable=False, least=1)
USE = Column("use_id", TEXT, "One use of a device: site:device/session@first minute (UTC).", nullable=False)

# Readings of one minute, in the project's units and signs. Values are rounded at ingest to the
# resolution given in `[resolution]` of definitions.toml so that sums can be exact.
READINGS: tuple[Column, ...] = (
    Column("state", TEXT, "What the device was doing.", words=words_of(State)),
    Column("set_pressure_cmh2o", REAL, "Ordered pressure; suction is negative.", "cm[H2O]", most=0),
    Column("pressure_mean_cmh2o", REAL, "Mean pressure over the minute, gauge, at the device.", "cm[H2O]"),
    Column("pressure_min_cmh2o", REAL, "Least pressure over the minute.", "cm[H2O]"),
    Column("pressure_max_cmh2o", REAL, "Greatest pressure over the minute.", "cm[H2O]"),
    Column(
        "air_leak_ml_min", REAL, "Mean flow of air out of the patient over the minute.", "mL/min", least=0
    ),
    Column("canister_volume_ml", REAL, "Reading of the canister now fitted.", "mL", least=0),
    Column("tilt_deg", REAL, "Angle from upright.", "deg", least=0, most=180),
    Column("battery_pct", REAL, "Battery charge.", "%", least=0, most=100),
    Column("mains", FLAG, "Whether the device was on mains power."),
    Column("alerts", TEXTS, "Alerts that rang; empty: none rang, null: the log does not say."),
)

"""Numbers as a site writes them, turned into our units and signs, rounded and bounded."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import polars as pl

from pipeline.definitions import Definitions
from pipeline.ingest.layout import MEASURED
from pipeline.ingest.profile import Profile
from pipeline.ingest.units import Quantity, factor_to_ours
from schemas.lake import MINUTE
from schemas.table import REAL

# Our name of a measured column in a log → its name in the tables, where the unit is added.
TABLE_NAMES = {
    "set_pressure": "set_pressure_cmh2o",
    "pressure_mean": "pressure_mean_cmh2o",
    "pressure_min": "pressure_min_cmh2o",
    "pressure_max": "pressure_max_cmh2o",
    "air_leak": "air_leak_ml_min",
    "canister_volume": "canister_volume_ml",
    "tilt": "tilt_deg",
    "battery": "battery_pct",
}
_SWAPPED = {"pressure_min": "pressure_max", "pressure_max": "pressure_min"}


@dataclass(frozen=True)
class Measured:
    """
    One measured column: how its text becomes a reading.

    Parameters
    ----------
    name
        Our name of the column.
    source
        Under which of our names its text stands. Strengths of suction change sign, so their least
        is our greatest: there minimum and maximum change places.
    factor
        From their unit and sign to ours.
    resolution
        What a reading is rounded to.
    least, most
        Bounds of the rounded reading, inclusive.
    """

    name: str
    source: str
    factor: float
    resolution: Decimal
    least: float
    most: float

    def rounded(self, decimal: str) -> pl.Expr:
        """
        The number in our unit, rounded to whole steps of the resolution; null where the text is none.

        Polars' `round` gives the double nearest to the decimal meant; its division by a scalar does
        not (it multiplies by the reciprocal). The added zero makes -0 a 0.
        """
        digits = max(0, -int(self.resolution.as_tuple().exponent))
        number = plain_number(self.source, decimal)
        ours = number if self.factor == 1.0 else number * self.factor
        if self.resolution != Decimal(1).scaleb(-digits):
            ours = (ours / float(self.resolution)).round() * float(self.resolution)
        return (ours.round(digits) + 0.0).alias(self.name)

    def bounded(self) -> pl.Expr:
        """The rounded number where it can be a reading, null where it cannot."""
        number = pl.col(self.name)
        return pl.when(number.is_between(self.least, self.most)).then(number).alias(self.name)


def plain_number(column: str, decimal: str = ".") -> pl.Expr:
    """The number a text is, null where it is none; with a decimal comma a point is no part of a number."""
    text = pl.col(column)
    if decimal == ",":
        text = text.str.replace_many([".", ","], ["?", "."])
    return text.cast(REAL, strict=False)


def measured_columns(profile: Profile, definitions: Definitions) -> tuple[Measured, ...]:
    """The measured columns of a profile's layout, in the order of the log."""
    return tuple(_measured(name, profile, definitions) for name in MEASURED)


def suction_sign(name: str, profile: Profile) -> float:
    """-1 where a pressure is written as a strength of suction."""
    if name == "set_pressure":
        return -1.0 if profile.suction.ordered == "positive" else 1.0
    return -1.0 if profile.suction.measured == "positive" else 1.0


def _measured(name: str, profile: Profile, definitions: Definitions) -> Measured:
    key, quantity = MEASURED[name]
    unit = getattr(profile.units, key)
    sign = suction_sign(name, profile) if quantity is Quantity.PRESSURE else 1.0
    plausible, steps = definitions.plausible, definitions.resolution
    resolution, least, most = {
        Quantity.PRESSURE: (steps.pressure, plausible.pressure_least, plausible.pressure_most),
        Quantity.FLOW: (steps.flow, 0.0, plausible.flow_most),
        Quantity.VOLUME: (steps.volume, 0.0, plausible.volume_most),
        Quantity.ANGLE: (steps.angle, 0.0, 180.0),
        Quantity.SHARE: (steps.share, 0.0, 100.0),
    }[quantity]
    contract = MINUTE.column(TABLE_NAMES[name])
    return Measured(
        name=name,
        source=_SWAPPED.get(name, name) if name != "set_pressure" and sign < 0 else name,
        factor=sign * (1.0 if unit is None else factor_to_ours(unit, quantity)),
        resolution=Decimal(str(resolution)).normalize(),
        least=least if contract.least is None else max(least, contract.least),
        most=most if contract.most is None else min(most, contract.most),
    )

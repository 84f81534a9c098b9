"""Units of a site's layout turned into ours: the usual ones by their definitions, all others by pint."""

from __future__ import annotations

import math
from enum import StrEnum
from fractions import Fraction
from functools import cache
from typing import Any

from pipeline.meant import did_you_mean
from schemas.errors import InputError


class Quantity(StrEnum):
    """What a column measures; the value is our unit of it, as UCUM writes it."""

    PRESSURE = "cm[H2O]"
    FLOW = "mL/min"
    VOLUME = "mL"
    ANGLE = "deg"
    SHARE = "%"


# UCUM codes that pint spells otherwise. Bracketed codes are not units of pint's at all.
FROM_UCUM = {
    "cm[H2O]": "cmH2O",
    "m[H2O]": "meter_H2O",
    "mm[H2O]": "mmH2O",
    "mm[Hg]": "mmHg",
    "m[Hg]": "meter_Hg",
    "[in_i'H2O]": "inH2O",
    "[in_i'Hg]": "inHg",
    "1": "dimensionless",
}
_ANGLES = {"degree", "radian", "milliradian", "grade", "turn", "arcminute"}
_SHARES = {"percent", "permille", "dimensionless"}
# What exports are usually written in, each as a multiple of one unit of its quantity. Making pint's registry
# takes longer than a night's logs take to read, and all that most sites need of it stands here; a test holds
# the two together. Pressures in Pa: cm[H2O] of water at 1 g/cm3 and mm[Hg] of mercury at 13.5951 g/cm3 under
# standard gravity, as in NIST SP 811, table B.8.
_WATER, _MERCURY = Fraction("98.0665"), Fraction("133.322387415")
USUAL: dict[Quantity, dict[str, Fraction]] = {
    Quantity.PRESSURE: {
        "cm[H2O]": _WATER,
        "cmH2O": _WATER,
        "kPa": Fraction(1000),
        "hPa": Fraction(100),
        "mbar": Fraction(100),
        "Pa": Fraction(1),
        "mm[Hg]": _MERCURY,
        "mmHg": _MERCURY,
        "bar": Fraction(100_000),
    },
    Quantity.FLOW: {
        "mL/min": Fraction(1),
        "L/min": Fraction(1000),
        "L/h": Fraction(1000, 60),
        "mL/h": Fraction(1, 60),
        "mL/s": Fraction(60),
        "L/s": Fraction(60_000),
    },
    Quantity.VOLUME: {
        "mL": Fraction(1),
        "cL": Fraction(10),
        "dL": Fraction(100),
        "L": Fraction(1000),
        "cm^3": Fraction(1),
    },
    Quantity.ANGLE: {
        "deg": Fraction(1),
        "rad": Fraction(180 / math.pi),
        "mrad": Fraction(180 / math.pi) / 1000,
    },
    Quantity.SHARE: {"%": Fraction(1), "1": Fraction(100), "permille": Fraction(1, 10)},
}


@cache
def factor_to_ours(unit: str, quantity: Quantity) -> float:
    """
    By what a number in `unit` is multiplied to be in our unit of `quantity`.

    Factors of the usual units are exact up to the last rounding: 1 cm[H2O] = 98.0665 Pa and
    1 mm[Hg] = 133.322 Pa, both conventional, as in NIST SP 811. All others are those of pint's registry.

    Raises
    ------
    InputError
        When the unit is unknown or measures something else; names spellings that would do.

    Examples
    --------
    >>> factor_to_ours("L/min", Quantity.FLOW)
    1000.0
    >>> round(factor_to_ours("kPa", Quantity.PRESSURE), 6)
    10.197162
    """
    usual = USUAL[quantity]
    if unit.strip() in usual:
        return float(usual[unit.strip()] / usual[quantity.value])
    spelling = FROM_UCUM.get(unit.strip(), unit.strip())
    registry = _registry()
    try:
        ours = registry.Unit(FROM_UCUM.get(quantity.value, quantity.value))
        theirs = registry.Unit(spelling)
        if not _measures(theirs, ours, quantity):
            raise ValueError(unit)
        return float(registry.Quantity(1.0, theirs).to(ours).magnitude)
    except Exception as error:  # pint's parser lets through errors of many families
        raise InputError(_unknown(unit, quantity)) from error


@cache
def _registry() -> Any:
    import pint  # as long to import as a small log takes to read; most commands turn no unit

    return pint.UnitRegistry(cache_folder=None)


def _measures(theirs: Any, ours: Any, quantity: Quantity) -> bool:
    """Same dimension; angles and shares, both without one, are told apart by name."""
    name = str(theirs)
    if quantity is Quantity.ANGLE:
        return name in _ANGLES
    if quantity is Quantity.SHARE:
        return name in _SHARES
    return bool(theirs.dimensionality == ours.dimensionality)


def _unknown(unit: str, quantity: Quantity) -> str:
    known = tuple(USUAL[quantity])
    hint = did_you_mean(unit, known, '"') or "write one of " + ", ".join(known)
    return f'unit "{unit}" is not one of {quantity.name.lower()}; {hint}'

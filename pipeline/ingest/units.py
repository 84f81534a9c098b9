"""Units of a site's layout turned into ours, by pint; UCUM's bracketed codes are understood too."""

from __future__ import annotations

import difflib
from enum import StrEnum
from functools import cache
from typing import Any

from schemas.errors import InputError


class Quantity(StrEnum):
    """What a column measures; the value is our unit of it, as UCUM writes it."""

    PRESSURE = "cm[H2O]"
    FLOW = "mL/min"
    VOLUME = "mL"
    ANGLE = "deg"
    SHARE = "%"


# UCUM codes that pint spells otherwise. Bracketed codes are not units of pint's at all.
_FROM_UCUM = {
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
_COMMON = {
    Quantity.PRESSURE: ("cm[H2O]", "cmH2O", "kPa", "hPa", "mbar", "Pa", "mm[Hg]", "mmHg", "bar"),
    Quantity.FLOW: ("mL/min", "L/min", "L/h", "mL/h", "mL/s", "L/s"),
    Quantity.VOLUME: ("mL", "cL", "dL", "L", "cm^3"),
    Quantity.ANGLE: ("deg", "rad", "mrad"),
    Quantity.SHARE: ("%", "1", "permille"),
}


@cache
def factor_to_ours(unit: str, quantity: Quantity) -> float:
    """
    By what a number in `unit` is multiplied to be in our unit of `quantity`.

    Factors are those of pint's registry: 1 cm[H2O] = 98.0665 Pa and 1 mm[Hg] = 133.322 Pa, both
    conventional (water at 1 g/cm3, mercury at 13.5951 g/cm3, standard gravity), as in NIST SP 811.

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
    spelling = _FROM_UCUM.get(unit.strip(), unit.strip())
    registry = _registry()
    try:
        ours = registry.Unit(_FROM_UCUM.get(quantity.value, quantity.value))
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
    known = _COMMON[quantity]
    near = difflib.get_close_matches(unit, known, n=1, cutoff=0.5)
    hint = f'did you mean "{near[0]}"?' if near else "write one of " + ", ".join(known)
    return f'unit "{unit}" is not one of {quantity.name.lower()}; {hint}'

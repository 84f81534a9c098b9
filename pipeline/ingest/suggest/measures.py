"""Units, decimal sign and sign of suction of an unknown export: what headers say, what figures allow."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.ingest.layout import MEASURED
from pipeline.ingest.suggest.columns import Column
from pipeline.ingest.units import Quantity, factor_to_ours
from schemas.errors import InputError

# What the greatest usual reading of a drain can be, in our units (common practice): a unit by which the
# figures of a file fall outside is not offered.
_USUAL = {
    "set_pressure": (4.0, 60.0),
    "pressure": (2.0, 150.0),
    "air_leak": (20.0, 20_000.0),
    "canister_volume": (20.0, 6_000.0),
    "tilt": (1.0, 180.0),
    "battery": (20.0, 100.0),
}
_OFFERED = {
    Quantity.PRESSURE: ("cm[H2O]", "kPa", "mbar", "hPa", "mmHg", "Pa"),
    Quantity.FLOW: ("mL/min", "L/min", "L/h", "mL/s"),
    Quantity.VOLUME: ("mL", "cL", "dL", "L"),
    Quantity.ANGLE: ("deg", "rad", "mrad"),
    Quantity.SHARE: ("%", "1"),
}
_SPELLED = {
    "°": "deg",
    "grad": "deg",
    "degrees": "deg",
    "percent": "%",
    "pct": "%",
    "cmh2o": "cm[H2O]",
    "cmwater": "cm[H2O]",
}


@dataclass(frozen=True)
class Unit:
    """A unit, or null with what could be meant; `doubt`: why it may be another."""

    unit: str | None
    doubt: str | None = None


def decimal_sign(columns: Sequence[Column]) -> str | None:
    """The decimal sign of the numbers; null where none has one, or both are used."""
    signs = {
        sign for column in columns if column.is_number for n in column.numbers for sign in ".," if sign in n
    }
    return signs.pop() if len(signs) == 1 else None


def unit_of(key: str, columns: Sequence[Column], decimal: str) -> Unit:
    """The unit of one key of [units]: as the headers say, else those that the figures allow."""
    quantity = next(quantity for named, quantity in MEASURED.values() if named == key)
    said = {unit for column in columns if (unit := _said_unit(column, quantity)) is not None}
    if len(said) == 1:
        return Unit(said.pop())
    if said:
        return Unit(None, f"the headers say {' and '.join(sorted(said))}; one unit must hold for all of them")
    possible = _possible(key, quantity, columns, decimal)
    if len(possible) == 1:
        return Unit(possible[0], "no header says it; of the usual units only this gives usual figures")
    return Unit(
        None,
        f"no header says it; {' or '.join(possible) or 'none of the usual units'} would give usual figures",
    )


def sign_of(columns: Sequence[Column], decimal: str) -> tuple[str | None, float]:
    """`negative` or `positive` by most readings that are not near zero, and the share of those."""
    values = np.concatenate([column.values(decimal) for column in columns]) if columns else np.array([])
    values = values[np.abs(values) > 0.2 * np.abs(values).max(initial=0.0)]
    if values.size == 0:
        return None, 0.0
    below = float((values < 0).mean())
    return ("negative", below) if below >= 0.5 else ("positive", 1 - below)


def _said_unit(column: Column, quantity: Quantity) -> str | None:
    below = (_in_header(part, quantity) for part in column.below.split())
    return _in_header(column.name, quantity) or next((unit for unit in below if unit is not None), None)


def _in_header(name: str, quantity: Quantity) -> str | None:
    bracketed = re.findall(r"[(\[{]\s*([^)}]*?)\s*[)\]}](?=\s|$|[^\w])", name)
    ends = re.split(r"[\s_,]+", name.strip())
    tokens = [*bracketed, ends[-1], "".join(ends[-2:]), "/".join(ends[-2:])]
    for token in tokens:
        for spelling in (token, _spelled(token)):
            if _is_unit(spelling, quantity):
                return spelling
    return None


def _spelled(token: str) -> str:
    low = token.strip().casefold().replace(" ", "")
    if low in _SPELLED:
        return _SPELLED[low]
    # a litre is better written with a capital, and a minute without a point
    return re.sub(
        r"l(?=/|$)",
        "L",
        low.replace("minute", "min")
        .replace("min.", "min")
        .replace("kpa", "kPa")
        .replace("hpa", "hPa")
        .replace("mmhg", "mmHg"),
    )


def _is_unit(spelling: str, quantity: Quantity) -> bool:
    if not spelling or (quantity is Quantity.SHARE and spelling == "1"):
        return False
    if len(spelling) < 2 and spelling not in ("%", "L"):
        return False
    try:
        factor_to_ours(spelling, quantity)
    except InputError:
        return False
    return True


def _possible(key: str, quantity: Quantity, columns: Sequence[Column], decimal: str) -> list[str]:
    values = np.abs(np.concatenate([column.values(decimal) for column in columns]))
    if values.size == 0 or values.max() == 0:
        return []
    top = float(np.quantile(values, 0.99))
    least, most = _USUAL[key]
    return [unit for unit in _OFFERED[quantity] if least <= top * factor_to_ours(unit, quantity) <= most]

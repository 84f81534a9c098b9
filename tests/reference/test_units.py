"""
Factors between units against NIST Special Publication 811 (2008), appendix B.8.

The factors to SI units are written from memory as that table has them (seven digits; "conventional"
columns of water and mercury); those of water, 98.0665 Pa a centimetre, and of mercury, 133.322 Pa a
millimetre, were checked against further sources.
"""

from __future__ import annotations

import math

import pint
import pytest

from pipeline.ingest.units import FROM_UCUM, USUAL, Quantity, factor_to_ours

CMH2O = 9.80665e1  # Pa, centimeter of water, conventional

# unit, quantity, factor to ours; seven digits, as the table gives.
TABLE = [
    ("Pa", Quantity.PRESSURE, 1 / CMH2O),
    ("kPa", Quantity.PRESSURE, 1e3 / CMH2O),
    ("hPa", Quantity.PRESSURE, 1e2 / CMH2O),
    ("mbar", Quantity.PRESSURE, 1.0e2 / CMH2O),  # millibar
    ("bar", Quantity.PRESSURE, 1.0e5 / CMH2O),
    ("mmHg", Quantity.PRESSURE, 1.333224e2 / CMH2O),  # millimeter of mercury, conventional
    ("mm[Hg]", Quantity.PRESSURE, 1.333224e2 / CMH2O),
    ("cmHg", Quantity.PRESSURE, 1.333224e3 / CMH2O),  # centimeter of mercury, conventional
    ("inHg", Quantity.PRESSURE, 3.386389e3 / CMH2O),  # inch of mercury, conventional
    ("inH2O", Quantity.PRESSURE, 2.490889e2 / CMH2O),  # inch of water, conventional
    ("cmH2O", Quantity.PRESSURE, 1.0),
    ("cm[H2O]", Quantity.PRESSURE, 1.0),
    ("mm[H2O]", Quantity.PRESSURE, 9.80665 / CMH2O),  # millimeter of water, conventional
    ("mL/min", Quantity.FLOW, 1.0),
    ("L/min", Quantity.FLOW, 1000.0),
    ("L/h", Quantity.FLOW, 1000.0 / 60.0),
    ("mL", Quantity.VOLUME, 1.0),
    ("cL", Quantity.VOLUME, 10.0),
    ("dL", Quantity.VOLUME, 100.0),
    ("L", Quantity.VOLUME, 1000.0),
    ("deg", Quantity.ANGLE, 1.0),
    ("rad", Quantity.ANGLE, 1 / 1.745329e-2),  # degree (angle): 1.745329 E-02 rad
    ("%", Quantity.SHARE, 1.0),
    ("1", Quantity.SHARE, 100.0),
]


@pytest.mark.parametrize(("unit", "quantity", "factor"), TABLE)
def test_factors_are_those_of_the_table(unit: str, quantity: Quantity, factor: float) -> None:
    # The table is rounded to seven digits: half a unit of the last, relative.
    assert math.isclose(factor_to_ours(unit, quantity), factor, rel_tol=5e-7)


def test_a_radian_is_a_half_turn_over_pi() -> None:
    assert math.isclose(factor_to_ours("rad", Quantity.ANGLE), 180 / math.pi, rel_tol=1e-15)


def test_the_usual_units_are_those_of_the_registry_that_reads_the_others() -> None:
    registry = pint.UnitRegistry(cache_folder=None)
    for quantity, usual in USUAL.items():
        ours = registry.Unit(FROM_UCUM.get(quantity.value, quantity.value))
        for unit in usual:
            theirs = registry.Quantity(1.0, registry.Unit(FROM_UCUM.get(unit, unit)))
            factor = factor_to_ours(unit, quantity)
            assert math.isclose(factor, theirs.to(ours).magnitude, rel_tol=1e-15), unit

"""Which files are withdrawn, as their house may see them: with name and reason."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.store import Home
from pipeline.store.journal import read_readings, reading_of


@dataclass(frozen=True)
class Withdrawal:
    """A withdrawn file as its house may see it: with its name and the reason in somebody's own words."""

    digest: str
    name: str
    kind: str
    withdrawn_on: str
    why: str


def withdrawals(home: Home, among: Iterable[str] | None = None) -> list[Withdrawal]:
    """
    Every file withdrawn here, the latest first; for the house, with names and reasons.

    Parameters
    ----------
    among
        Digests to look at; unsaid: the record of every file is read.
    """
    readings = (
        read_readings(home.readings)
        if among is None
        else [reading for digest in among if (reading := reading_of(home.readings, digest)) is not None]
    )
    found = [
        Withdrawal(reading.digest, reading.name, reading.kind, reading.withdrawn_on, reading.why or "")
        for reading in readings
        if reading.withdrawn_on is not None
    ]
    return sorted(found, key=lambda one: (one.withdrawn_on, one.digest), reverse=True)

"""What a figure is: a frozen section of them, what they decide, and what is said of each beside its value."""

from __future__ import annotations

from enum import Flag, auto
from typing import Any, ClassVar, NamedTuple

from pydantic import BaseModel, ConfigDict


class FigureText(NamedTuple):
    """What a figure's entry says beside its value."""

    unit: str
    meaning: str
    source: str


class Decides(Flag):
    """What a section's figures decide, and so what is made again when one of them changes."""

    CELLS = auto()  # what a cell of a log becomes: files are read again
    COURSE = auto()  # the course of a device's uses, and with it their drains
    DRAINS = auto()  # what is summed up of a drain
    PUBLISHED = auto()  # the published statistics, extracts, strips and the upkeep alone


class Section(BaseModel):
    """
    A frozen group of figures; an unknown or missing figure is an error that names it.

    Each section says what it decides: `class TiltRules(Section, decides=Decides.COURSE)`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    decides: ClassVar[Decides]

    def __init_subclass__(cls, *, decides: Decides, **options: Any) -> None:
        super().__init_subclass__(**options)
        cls.decides = decides

"""What a figure is: a frozen section of them, and what is said of each beside its value."""

from __future__ import annotations

from typing import NamedTuple

from pydantic import BaseModel, ConfigDict


class FigureText(NamedTuple):
    """What a figure's entry says beside its value."""

    unit: str
    meaning: str
    source: str


class Section(BaseModel):
    """A frozen group of figures; an unknown or missing figure is an error that names it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

"""Which column of an unknown export is which of ours: by its name first, by what its cells can be second."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from pipeline.ingest.suggest.sheet import Sheet
from pipeline.ingest.suggest.words import plain_words, speaks, state_of, words

NUMBERS = (
    "set_pressure",
    "pressure_mean",
    "pressure_min",
    "pressure_max",
    "air_leak",
    "canister_volume",
    "tilt",
    "battery",
)
OURS = ("record", "session", "state", *NUMBERS, "mains", "alerts", "trace")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+")
_BLANK_WORD = re.compile(r"[^\w]*")
_FEW = 12  # different words of a column of states
_SAMPLES = 4  # numbers in a cell from which on it is a trace
_SURE = 0.9  # a column that its name speaks for less is marked as a doubt


@dataclass(frozen=True)
class Column:
    """
    One column: its name, its cells, and what they look like.

    `numbers`: those of its cells that are numbers, whatever their decimal sign; `odd`: the other filled ones,
    each once; `below`: what stands under its name before the rows begin, mostly a unit.
    """

    name: str
    place: int
    cells: tuple[str, ...]
    numbers: tuple[str, ...]
    odd: tuple[str, ...]
    below: str = ""

    @property
    def filled(self) -> list[str]:
        """Cells with anything in them."""
        return [cell for cell in self.cells if cell]

    @property
    def distinct(self) -> list[str]:
        """Different filled cells, in order of appearance."""
        return list(dict.fromkeys(self.filled))

    @property
    def is_number(self) -> bool:
        """Whether most filled cells are numbers and the rest are few words."""
        return bool(self.numbers) and len(self.odd) <= 3 and len(self.numbers) >= 0.5 * len(self.filled)

    @property
    def is_whole(self) -> bool:
        """Whether all numbers are whole."""
        return self.is_number and all("." not in n and "," not in n for n in self.numbers)

    @property
    def is_trace(self) -> bool:
        """Whether cells hold many numbers each."""
        cells = [cell.split() for cell in self.filled[:50] if not is_missing_word(cell)]
        many = [c for c in cells if sum(_NUMBER.fullmatch(part) is not None for part in c) >= _SAMPLES / 2]
        return bool(many) and sum(len(c) >= _SAMPLES for c in many) >= 0.5 * len(cells)

    def values(self, decimal: str) -> np.ndarray:
        """Its numbers."""
        return np.array([float(n.replace(decimal, ".")) for n in self.numbers if _fits(n, decimal)])


@dataclass(frozen=True)
class Found:
    """Our name → the column; `doubts`: why one may not be it."""

    columns: dict[str, Column]
    doubts: dict[str, str]


def columns_of(sheet: Sheet) -> list[Column]:
    """The sheet's columns with what their cells look like."""
    made = []
    for place, (name, cells) in enumerate(zip(sheet.names, sheet.cells, strict=True)):
        numbers = tuple(cell for cell in cells if _NUMBER.fullmatch(cell))
        odd = tuple(dict.fromkeys(cell for cell in cells if cell and not _NUMBER.fullmatch(cell)))
        below = sheet.below_names[place] if place < len(sheet.below_names) else ""
        made.append(Column(name, place, cells, numbers, odd, below))
    return made


def assigned(columns: Sequence[Column]) -> Found:
    """
    Give each of our columns the one of theirs that its name and cells speak for most, all at once.

    A column that nothing in a name speaks for is given to nobody. The best assignment as a whole is the
    linear sum assignment of SciPy.
    """
    scores = np.array([[_score(ours, column) for column in columns] for ours in OURS])
    at, place = linear_sum_assignment(scores, maximize=True)
    found: dict[str, Column] = {}
    doubts: dict[str, str] = {}
    for row, col in zip(at, place, strict=True):
        if scores[row, col] <= 0.4:
            continue
        ours, column = OURS[row], columns[col]
        found[ours] = column
        others = [
            columns[other].name
            for other in range(len(columns))
            if other != col and scores[row, other] >= scores[row, col] - 0.1 and other not in place
        ]
        if others:
            doubts[ours] = f'"{others[0]}" could be it as well'
        elif scores[row, col] < _SURE:
            doubts[ours] = "its name hardly says so"
    return Found(found, doubts)


def is_missing_word(cell: str) -> bool:
    """Whether a cell that is no number reads as a word for unknown."""
    return _BLANK_WORD.fullmatch(cell) is not None or cell.casefold() in words("missing")["words"]


def _fits(number: str, decimal: str) -> bool:
    return ("," if decimal == "." else ".") not in number


def _score(ours: str, column: Column) -> float:
    """How much speaks for it; 0 where its cells cannot be."""
    if not column.filled:  # a column that is empty in this file is told by its name alone
        return 0.8 * _named(ours, column) if ours in (*NUMBERS, "alerts") else 0.0
    named = _named(ours, column)
    if ours == "trace":
        return named + 1.0 if column.is_trace else 0.0
    if column.is_trace:
        return 0.0
    if ours in NUMBERS:
        return named if column.is_number else 0.0
    if ours == "record":
        return (named or 0.3) + 0.4 if column.is_whole and _counts(column) else 0.0
    if ours == "session":
        return named if column.is_whole and not _counts(column) and len(column.distinct) <= 50 else 0.0
    if ours == "state" and not named and not column.is_number and 1 < len(column.distinct) <= _FEW:
        # not by its name, but by what its words say
        return 0.6 if sum(state_of(word) is not None for word in column.distinct) >= 2 else 0.0
    if ours in ("state", "mains"):
        return named if len(column.distinct) <= _FEW else 0.0
    return named if not column.is_number or len(column.distinct) <= _FEW else 0.0  # alerts


def _named(ours: str, column: Column) -> float:
    header = plain_words(column.name)
    if not ours.startswith("pressure_"):
        penalty = 0.5 if ours != "set_pressure" and speaks(header, "pressure") == 1.0 else 0.0
        return max(speaks(header, ours) - penalty, 0.0)
    pressure = speaks(header, "pressure")
    least, greatest, mean = (speaks(header, which) for which in ("least", "greatest", "mean"))
    if ours == "pressure_min":
        return least + 0.2 * pressure if least else 0.0
    if ours == "pressure_max":
        return greatest + 0.2 * pressure if greatest else 0.0
    if least or greatest or speaks(header, "set_pressure") == 1.0:
        return 0.0
    return max(pressure, 0.5 * mean) + 0.2 * mean


def _counts(column: Column) -> bool:
    """Whether the numbers go up by one from row to row, but for a few."""
    steps = np.diff([int(n) for n in column.numbers if len(n) < 16])
    return len(steps) > 0 and float((steps == 1).mean()) >= 0.9

"""A course written small: whole numbers, runs of the same written once, the same column written once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.report.drain_levels import DRAWN

# Digits behind the point: those the readings have ([resolution] in the definitions); swings to hundredths.
_DIGITS = {
    "leak": 1,
    "median": 2,
    "pressure": 2,
    "mean": 2,
    "set": 2,
    "swing": 2,
    "output": 1,
    "floor": 1,
    "tilt": 1,
    "rate": 1,
    "least": 2,
    "greatest": 2,
}
# What a reader is told of one minute: name → column of the view `minute`.
READOUT = {
    "state": "state",
    "set": "set_pressure_cmh2o",
    "mean": "pressure_mean_cmh2o",
    "least": "pressure_min_cmh2o",
    "greatest": "pressure_max_cmh2o",
    "leak": "air_leak_ml_min",
    "median": "leak_median_ml_min",
    "output": "output_ml",
    "read": "volume_read",
    "tilt": "tilt_deg",
    "tidaling": "tidaling",
    "basis": "tidaling_basis",
    "swing": "swing_cmh2o",
    "rate": "breath_rate_per_min",
    "flags": "flags",
}


class Columns:
    """Columns of a page's data, each written once however many names it has."""

    def __init__(self) -> None:
        self.written: list[dict[str, Any]] = []
        self._places: dict[str, int] = {}

    def number(self, column: pl.Series, digits: int) -> int:
        """The place of a column of numbers, kept to so many digits behind the point."""
        scaled = (column.cast(pl.Float64) * 10**digits).round().cast(pl.Int64).to_list()
        return self._put({"digits": digits, **_shorter(scaled)})

    def word(self, column: pl.Series) -> int:
        """The place of a column of words: the words once, and runs of their numbers."""
        told = column.to_list()
        words = sorted({word for word in told if word is not None})
        place = {word: n for n, word in enumerate(words)}
        return self._put({"words": words, **_shorter([None if w is None else place[w] for w in told])})

    def _put(self, column: dict[str, Any]) -> int:
        key = repr(column)
        if key not in self._places:
            self._places[key] = len(self.written)
            self.written.append(column)
        return self._places[key]


def packed_levels(levels: Mapping[int, pl.DataFrame], columns: Columns) -> list[dict[str, Any]]:
    """
    The levels of `drain_levels.levels`, finest first, their columns put into `columns`.

    Returns
    -------
    A level: `width` (minutes a bucket), `place` and `minutes` (of each bucket), and in `drawn` the places of
    least and greatest of each quantity.
    """
    return [
        {
            "width": width,
            # Buckets follow one another: what lies between is written, nearly always nothing.
            "skipped": columns.number(
                frame["place"] - (frame["place"] + frame["minutes"]).shift(1, fill_value=0), 0
            ),
            "minutes": columns.number(frame["minutes"], 0),
            "drawn": {
                name: [
                    columns.number(frame[f"{name}_lo"], _DIGITS[name]),
                    columns.number(frame[f"{name}_hi"], _DIGITS[name]),
                ]
                for name in DRAWN
            },
        }
        for width, frame in levels.items()
    ]


def packed_minutes(minutes: pl.DataFrame, columns: Columns) -> dict[str, int]:
    """What is told of each minute that the log has, in the order of the finest level's buckets."""
    seen = minutes.filter("seen")
    told: dict[str, int] = {}
    for name, column in READOUT.items():
        values = seen[column]
        if name in _DIGITS:
            told[name] = columns.number(values, _DIGITS[name])
        elif values.dtype == pl.Boolean:
            told[name] = columns.number(values.cast(pl.Int64), 0)
        else:
            told[name] = columns.word(values.list.join(" ") if values.dtype == pl.List else values)
    return told


def _shorter(values: Sequence[int | None]) -> dict[str, list[int | None]]:
    """As they are, or as runs (value, how many times), whichever is shorter."""
    runs: list[int | None] = []
    for value in values:
        if runs and runs[-2] == value:
            last = runs[-1]
            assert last is not None
            runs[-1] = last + 1
        else:
            runs += [value, 1]
    return {"runs": runs} if len(runs) < len(values) else {"each": list(values)}

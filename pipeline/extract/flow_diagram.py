"""The flow of a cohort as a diagram: who was there, who was left out by what, who remained."""

from __future__ import annotations

import tempfile
import textwrap
from pathlib import Path

import altair as alt
import polars as pl

from pipeline.report.look import GREYS, picture

_WIDTH = 760
_LEFT, _RIGHT = (0, 300), (380, 760)
_LINE, _PAD, _GAP = 17, 10, 26
_LETTERS = 52  # of a line in a box on the right


def flow_diagram(flow: pl.DataFrame, title: str) -> bytes:
    """
    Draw FLOW as boxes, top to bottom in the order of the criteria, as SVG.

    On the left how many remained, on the right how many a criterion left out, those of whom it cannot be
    told apart from the rest. A count too small to be told is said to be so, and so is what would tell it.

    Parameters
    ----------
    flow
        FLOW, with null where a count is hidden.
    """
    boxes, arrows, height = _boxes(flow)
    lines = [
        (box[0] + 12, box[1] + _PAD + _LINE * (number + 0.5), text)
        for box in boxes
        for number, text in enumerate(box[4])
    ]
    scale_x, scale_y = alt.Scale(domain=[0, _WIDTH]), alt.Scale(domain=[height, 0])
    x = alt.X("x:Q", axis=None, scale=scale_x)
    y = alt.Y("y:Q", axis=None, scale=scale_y)
    drawn = pl.DataFrame(
        [box[:4] for box in boxes], schema=["x", "y", "x2", "y2"], orient="row", strict=False
    ).cast(pl.Float64)
    rules = pl.DataFrame(arrows, schema=["x", "y", "x2", "y2", "turn"], orient="row", strict=False).cast(
        pl.Float64
    )
    texts = pl.DataFrame(lines, schema=["x", "y", "text"], orient="row", strict=False)
    layers = [
        alt.Chart(drawn)
        .mark_rect(fill="white", stroke=GREYS[1], strokeWidth=1.2, cornerRadius=3)
        .encode(x=x, y=y, x2="x2:Q", y2="y2:Q"),
        alt.Chart(texts)
        .mark_text(align="left", baseline="middle", fontSize=12.5, color=GREYS[0])
        .encode(x=x, y=y, text="text:N"),
    ]
    if arrows:
        layers += [
            alt.Chart(rules)
            .mark_rule(stroke=GREYS[1], strokeWidth=1.2)
            .encode(x=x, y=y, x2="x2:Q", y2="y2:Q"),
            alt.Chart(rules)
            .mark_point(shape="triangle-right", filled=True, size=70, color=GREYS[1], opacity=1)
            .encode(
                x=alt.X("x2:Q", axis=None, scale=scale_x),
                y=alt.Y("y2:Q", axis=None, scale=scale_y),
                angle=alt.Angle("turn:Q", scale=None),
            ),
        ]
    chart = alt.layer(*layers).properties(width=_WIDTH, height=height, title=textwrap.wrap(title, 90))
    with tempfile.TemporaryDirectory(prefix="drainledger-flow-") as folder:
        return picture(chart, Path(folder) / "flow.svg").read_bytes()


_Box = tuple[float, float, float, float, list[str]]
_Arrow = tuple[float, float, float, float, float]


def _boxes(flow: pl.DataFrame) -> tuple[list[_Box], list[_Arrow], float]:
    """Boxes (left, top, right, bottom, lines of text), arrows between them, and the height of it all."""
    total, left = _count(flow, 0, "all"), _remaining(flow)
    boxes: list[_Box] = [_box(_LEFT, 4, ["Drains of the ledger", _told(total)])]
    arrows: list[_Arrow] = []
    last = int(flow["step"].max())  # type: ignore[arg-type]
    for step in range(1, last):
        above = boxes[-1] if step == 1 else boxes[-2]
        criterion = flow.filter(pl.col("step") == step)["criterion"][0]
        lines = [
            *textwrap.wrap(f"{step}. {criterion}", _LETTERS),
            f"does not hold: {_told(_count(flow, step, 'outside'))}",
            f"cannot be told: {_told(_count(flow, step, 'unknown'))}",
        ]
        aside = _box(_RIGHT, above[3] + _GAP / 2, lines)
        label = "Drains of the extract" if step == last - 1 else "Remaining"
        below = _box(_LEFT, aside[3] + _GAP / 2, [label, _told(left[step])])
        middle = (_LEFT[0] + _LEFT[1]) / 2
        level = (aside[1] + aside[3]) / 2
        boxes += [below, aside]
        arrows += [(middle, above[3], middle, below[1] - 4, 90.0), (middle, level, _RIGHT[0] - 4, level, 0.0)]
    if last == 1:
        boxes.append(_box(_LEFT, boxes[0][3] + _GAP, ["Drains of the extract", _told(left[0])]))
        middle = (_LEFT[0] + _LEFT[1]) / 2
        arrows.append((middle, boxes[0][3], middle, boxes[1][1] - 4, 90.0))
    return boxes, arrows, max(box[3] for box in boxes) + 4


def _remaining(flow: pl.DataFrame) -> list[int | None]:
    """How many remained after each step, where what came before or after it is told; else null."""
    last = int(flow["step"].max())  # type: ignore[arg-type]
    out = [
        [_count(flow, step, what) for what in ("outside", "unknown")] if 0 < step < last else [0]
        for step in range(last + 1)
    ]
    left: list[int | None] = []
    total, included = _count(flow, 0, "all"), _count(flow, last, "included")
    for step in range(last):
        before = [count for counts in out[: step + 1] for count in counts]
        after = [count for counts in out[step + 1 :] for count in counts]
        left.append(_less(total, before) if _less(total, before) is not None else _more(included, after))
    return left


def _less(total: int | None, counts: list[int | None]) -> int | None:
    known = [count for count in counts if count is not None]
    return total - sum(known) if total is not None and len(known) == len(counts) else None


def _more(total: int | None, counts: list[int | None]) -> int | None:
    known = [count for count in counts if count is not None]
    return total + sum(known) if total is not None and len(known) == len(counts) else None


def _count(flow: pl.DataFrame, step: int, what: str) -> int | None:
    found: int | None = flow.filter((pl.col("step") == step) & (pl.col("what") == what))["drains"].item()
    return found


def _box(side: tuple[int, int], top: float, lines: list[str]) -> _Box:
    return (side[0], top, side[1], top + 2 * _PAD + _LINE * len(lines), lines)


def _told(count: int | None) -> str:
    return "not told (small counts)" if count is None else f"n = {count}"

"""A chart on a page: alive where scripts run, drawn beforehand where not, in words, and with its numbers."""

from __future__ import annotations

import json
import re
from typing import Any

import vl_convert
from markupsafe import Markup

from pipeline.report.look import themed
from pipeline.report.templates import render

_PAPER = 860  # px: how wide a chart that fits its page is drawn beforehand
# Said once on the picture as a whole, in better words; on every mark they would double its size.
_MARK_BY_MARK = re.compile(r' (?:role|aria-label|aria-roledescription|aria-hidden)="[^"]*"')
_PLACED = re.compile(r'(?<= )(?:d|transform)="[^"]*"')
_FRACTION = re.compile(r"-?\d+\.\d{3,}(?:e-?\d+)?")
_CLIP = re.compile(r'(id="|url\(#)(clip|gradient)[_\d]*?(\d+)')


def figure(
    name: str,
    chart: Any,
    alt: str,
    caption: str = "",
    *,
    numbers: Markup | None = None,
    about: str = "",
    fits: bool = True,
) -> Markup:
    """
    Put a chart on a page.

    The page draws it with Vega from the data beside it, so that a reader can point at a mark. The same
    chart as a drawing made beforehand stands there until then, and stays where scripts do not run. To
    somebody who hears the page it is one picture with its alternative text, and a table of its numbers.

    Parameters
    ----------
    name
        Its id, unique on the page: lower-case letters, digits, hyphens.
    chart
        An Altair chart without configuration. With `fits`, a single or a layered one.
    alt
        What the picture shows, in a sentence or two with the main figures.
    caption
        How it is to be read; seen by everybody.
    numbers
        A table of what is drawn (`table.table`), folded up below.
    about
        What that table holds, where the name of the chart does not say it.
    fits
        As wide as the page, whatever that is; otherwise as wide as the chart says, scrolling on a narrow
        screen.

    Returns
    -------
    Markup for a `page.Section`.
    """
    themed_chart = themed(chart.properties(width=_PAPER) if fits else chart)
    spec = _named_apart(themed_chart.to_dict())
    spec["config"]["aria"] = False  # no words mark by mark: the picture as a whole has its own
    drawing = drawn(spec, name)
    if fits:
        spec |= {"width": "container", "autosize": {"type": "fit-x", "contains": "padding"}}
    return render(
        "figure.html.j2",
        name=name,
        alt=alt,
        caption=caption,
        drawing=drawing,
        spec=_in_page(spec),
        numbers=numbers,
        about=about,
        scrolls=not fits,
    )


def drawn(spec: dict[str, Any], name: str) -> Markup:
    """A chart drawn beforehand, for readers whose browser runs no scripts; `name` keeps its clips apart."""
    # Written by the drawing library, which escapes text.
    return Markup(_tidied(vl_convert.vegalite_to_svg(spec), name))  # noqa: S704


def _in_page(spec: dict[str, Any]) -> Markup:
    # Within a script element only "<" could end it or begin a comment.
    text = json.dumps(spec, ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c"))  # noqa: S704


def _named_apart(spec: dict[str, Any]) -> dict[str, Any]:
    """Names that the chart library counts up over the life of the process, counted from 1 on each chart."""
    places: dict[str, str] = {}

    def told(name: str) -> str:
        if re.fullmatch(r"(view|param)_\d+", name) is None:
            return name
        return places.setdefault(name, f"{name.split('_')[0]}_{len(places) + 1}")

    def walk(node: Any) -> Any:
        if isinstance(node, list):
            return [walk(item) for item in node]
        if not isinstance(node, dict):
            return node
        return {
            key: told(value)
            if key in ("name", "param") and isinstance(value, str)
            else [told(v) for v in value]
            if key == "views"
            else value
            if key in ("datasets", "values")
            else walk(value)
            for key, value in node.items()
        }

    walked: dict[str, Any] = walk(spec)
    return walked


def _tidied(svg: str, name: str) -> str:
    """Without words on each mark, at hundredths of a pixel, its clips numbered from 1 and named apart."""
    order: dict[str, int] = {}

    def clip(found: re.Match[str]) -> str:
        place = order.setdefault(found[2] + found[3], len(order) + 1)
        return f"{found[1]}{name}-{found[2]}{place}"

    plain = _MARK_BY_MARK.sub("", svg)
    placed = _PLACED.sub(lambda m: _FRACTION.sub(lambda n: f"{float(n[0]):.2f}", m[0]), plain)
    return _CLIP.sub(clip, placed)

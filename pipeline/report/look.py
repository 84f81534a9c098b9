"""How every picture of the project looks: one palette, one type size, one way to a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import altair as alt
import vl_convert

# Okabe & Ito 2008 (jfly.uni-koeln.de/color): told apart with the common kinds of colour blindness. The
# order runs from dark to light so that neighbours also differ when printed grey.
SERIES = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
GREYS = ("#1A1A1A", "#595959", "#8C8C8C", "#BFBFBF", "#E6E6E6")

_FONT = "DejaVu Sans, Verdana, sans-serif"


def themed(chart: Any) -> Any:
    """
    Give a chart the project's look; for the outermost chart only, as Vega-Lite wants it.

    Parameters
    ----------
    chart
        Any Altair chart, layered and concatenated ones too.

    Returns
    -------
    The chart, configured: text dark on white at 12 px or more, light grid, no box around it.
    """
    text, faint = GREYS[0], GREYS[4]
    # In one go: each call of a chart copies it with all its data.
    configured = chart.configure(
        font=_FONT,
        background="white",
        axis=alt.AxisConfig(
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
            labelColor=text,
            titleColor=text,
            gridColor=faint,
            domainColor=GREYS[2],
            tickColor=GREYS[2],
        ),
        legend=alt.LegendConfig(labelFontSize=12, titleFontSize=12, titleFontWeight="normal", labelLimit=400),
        header=alt.HeaderConfig(labelFontSize=12, titleFontSize=12, labelColor=text, titleColor=text),
        title=alt.TitleConfig(
            fontSize=14, anchor="start", fontWeight="bold", color=text, subtitleFontSize=12
        ),
        view=alt.ViewConfig(stroke=None),
        range=alt.RangeConfig(category=list(SERIES)),
    )
    return configured


def picture(chart: Any, path: Path, scale: float = 2.0) -> Path:
    """
    Write a chart to a file as it looks on a page.

    Parameters
    ----------
    chart
        An Altair chart without configuration of its own.
    path
        Ends in `.svg` (for guides) or `.png` (to look at); its folder exists.
    scale
        Pixels a point, PNG only.

    Returns
    -------
    The path.

    Raises
    ------
    ValueError
        When the file is to be neither SVG nor PNG.
    """
    drawing = themed(chart).to_json(indent=None)
    if path.suffix == ".svg":
        path.write_text(vl_convert.vegalite_to_svg(drawing) + "\n", encoding="utf-8")
    elif path.suffix == ".png":
        path.write_bytes(vl_convert.vegalite_to_png(drawing, scale=scale))
    else:
        raise ValueError(f"{path.name}: a picture is an .svg or a .png; name it so.")
    return path

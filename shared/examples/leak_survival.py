"""
From the published database to a figure for a paper, with Polars and Altair: how long leaks last.

    python shared/examples/leak_survival.py ledger/drainledger.duckdb leak_survival.svg

Kaplan-Meier curve of the leak's duration over all sites, its 95 % band, those who left our sight (crosses),
and the numbers at risk below. Needs duckdb, polars, altair and vl-convert-python, nothing of drainledger.

Looks back at finished therapy and decides nothing at a bedside. Who died or was transferred is censored here,
as if their leak would have gone on as others did; `leak_incidence` counts them as what they are.
"""

import sys
from pathlib import Path

import altair as alt
import duckdb
import polars as pl

INK, LINE, BAND = "#1A1A1A", "#0072B2", "#E6E6E6"  # blue of Okabe & Ito 2008, dark enough when printed grey
DAY = 24


def read(database: Path) -> pl.DataFrame:
    """The curve over all sites: a row at each hour at which a leak ended or a drain left our sight."""
    with duckdb.connect(str(database), read_only=True) as connection:
        return connection.sql("FROM leak_survival WHERE site IS NULL ORDER BY hours").pl()


def stepped(curve: pl.DataFrame) -> pl.DataFrame:
    """The curve from its beginning, where everybody leaks; each step holds `until` the next."""
    begin = {"hours": [0.0], "still_leaking": [1.0], "censored": [0]}
    steps = pl.concat([pl.DataFrame(begin), curve], how="diagonal_relaxed")
    return steps.with_columns(until=pl.col("hours").shift(-1)).drop("site")


def at_risk(curve: pl.DataFrame, hours: list[int]) -> pl.DataFrame:
    """How many are watched and leaking just before each of these hours: at risk at the curve's next step."""
    asked = pl.DataFrame({"hour": hours}, schema={"hour": pl.Float64})
    steps = curve.select("hours", "at_risk").sort("hours")
    found = asked.join_asof(steps, left_on="hour", right_on="hours", strategy="forward")
    return found.select("hour", pl.col("at_risk").fill_null(0))


def draw(curve: pl.DataFrame) -> alt.VConcatChart:
    """The curve above, the numbers at risk below, on one axis of hours."""
    last = max(DAY, int(-(-curve["hours"].max() // DAY) * DAY))
    hours = list(range(0, last + 1, DAY))
    x = alt.X(
        "hours:Q",
        title="hours after the operation",
        scale=alt.Scale(domain=[0, last], nice=False),
        axis=alt.Axis(values=hours, grid=False),
    )
    share = alt.Axis(title="still leaking", format="%", tickCount=5)
    y = alt.Y("still_leaking:Q", scale=alt.Scale(domain=[0, 1]), axis=share)
    base = alt.Chart(stepped(curve)).encode(x=x)
    band = (
        base.transform_filter("isValid(datum.low) && isValid(datum.until)")
        .mark_rect(color=BAND, stroke=BAND, strokeWidth=1)
        .encode(x2="until:Q", y=alt.Y("low:Q", scale=alt.Scale(domain=[0, 1]), axis=share), y2="high:Q")
    )
    line = base.mark_line(interpolate="step-after", color=LINE, strokeWidth=2).encode(y=y)
    lost = (
        base.transform_filter("datum.censored > 0")
        .mark_point(shape="cross", size=50, filled=True, color=INK, opacity=1)
        .encode(y=y)
    )
    below = (
        alt.Chart(at_risk(curve, hours))
        .mark_text(fontSize=12, color=INK)
        .encode(
            x=alt.X("hour:Q", scale=alt.Scale(domain=[0, last], nice=False), axis=None),
            text="at_risk:Q",
        )
        .properties(width=520, height=16, title=alt.TitleParams("at risk", fontSize=12, anchor="start"))
    )
    curves = (band + line + lost).properties(width=520, height=260)
    return (
        alt.vconcat(curves, below, spacing=4, background="white")
        .configure_axis(labelFontSize=12, titleFontSize=12, titleFontWeight="normal")
        .configure_title(fontWeight="normal", color=INK)
        .configure_view(stroke=None)
    )


if __name__ == "__main__":
    if len(sys.argv) != 3 or not Path(sys.argv[1]).is_file():
        files = "a published drainledger.duckdb that is there, and the .svg or .png to write"
        print(f"usage: python {sys.argv[0]} DATABASE PICTURE: {files}", file=sys.stderr)
        sys.exit(2)
    database, picture = map(Path, sys.argv[1:])
    try:
        curve = read(database)
    except duckdb.Error as error:
        print(f"{database}: not a published database ({str(error).splitlines()[0]})", file=sys.stderr)
        sys.exit(2)
    draw(curve).save(picture, scale_factor=2)
    print(picture)

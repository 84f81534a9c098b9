"""The operating curves as pictures: one function a picture, all drawn from the tables that stand beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import altair as alt
import polars as pl

from pipeline.report.flag_rows import BANDS
from pipeline.report.look import GREYS, SERIES, picture

VERDICTS = ("present", "undecided", "absent")
COLOURS = (BANDS["tidaling_present"], BANDS["tidaling_indeterminate"], BANDS["tidaling_absent"])
PER_CENT = "% of traces"


def draw_all(tables: dict[str, pl.DataFrame], folder: Path, suffix: str = ".svg") -> list[Path]:
    """Every operating curve into a folder."""
    charts = {
        "swing": by_swing(tables["swing"]),
        "rate": by_rate(tables["rate"]),
        "share": by_share(tables["share"]),
        "length": by_length(tables["length"]),
        "sampling": by_sampling(tables["sampling"]),
        "limit": by_limit(tables["limit"]),
        "bounds": bounds(tables["swing"], tables["rate"]),
        "pump": pumps(tables["pump"]),
    }
    return [picture(chart, folder / f"tidaling-{name}{suffix}") for name, chart in charts.items()]


def verdict_shares(frame: pl.DataFrame, keep: list[str]) -> pl.DataFrame:
    """The three shares of verdicts as rows."""
    return frame.unpivot(
        on=[f"{v}_pct" for v in VERDICTS], index=keep, variable_name="verdict", value_name="per_cent"
    ).with_columns(pl.col("verdict").str.strip_suffix("_pct"))


def _stacked(frame: pl.DataFrame, x: str, title: str, order: list[Any] | None = None) -> alt.Chart:
    """Shares of verdicts as stacked bars over something ordered."""
    return (
        alt.Chart(frame)
        .mark_bar()
        .encode(
            alt.X(f"{x}:O", title=title, sort=order, axis=alt.Axis(labelAngle=0)),
            alt.Y("per_cent:Q", title=PER_CENT, scale=alt.Scale(domain=[0, 100])),
            alt.Color(
                "verdict:N",
                title="called",
                sort=list(VERDICTS),
                scale=alt.Scale(domain=list(VERDICTS), range=list(COLOURS)),
            ),
            alt.Order("rank:Q"),
        )
        .transform_calculate(rank="indexof(['present', 'undecided', 'absent'], datum.verdict)")
    )


def by_swing(table: pl.DataFrame) -> alt.Chart:
    """What is called as the swing grows, by noise and artefact share."""
    long = verdict_shares(table, ["noise", "artefact", "swing_set"]).with_columns(
        pl.format("{} % cough or motion", (100 * pl.col("artefact")).cast(pl.Int64)).alias("lost")
    )
    return (
        _stacked(long, "swing_set", "true swing, cm[H2O]")
        .properties(width=400, height=130)
        .facet(
            row=alt.Row("noise:N", title=None, sort=["quiet", "noisy", "very noisy"]),
            column=alt.Column("lost:N", title=None, sort=["0 % cough or motion"]),
        )
        .properties(title="Verdicts by true swing: noise 0.03, 0.1 and 0.25 cm[H2O]")
    )


def by_rate(table: pl.DataFrame) -> alt.Chart:
    """Sensitivity and error of the rate by breath rate."""
    frame = table.with_columns(pl.col("swing_set").cast(pl.String).alias("swing"))
    colour = alt.Color("swing:N", title="swing, cm[H2O]", scale=alt.Scale(range=list(SERIES)))
    shape = alt.Shape("swing:N", title="swing, cm[H2O]")
    base = alt.Chart(frame).encode(alt.X("rate_set:Q", title="true breaths/min"), colour)
    panels = [
        (base.mark_line() + base.mark_point(filled=True, size=45).encode(shape))
        .encode(alt.Y(f"{column}:Q", title=title, scale=alt.Scale(domainMin=0, domainMax=top)))
        .properties(width=300, height=200)
        for column, title, top in (
            ("present_pct", "called present, %", 100),
            ("rate_error_per_min", "mean absolute error, /min", max(0.3, _top(table, "rate_error_per_min"))),
            ("rate_off_by_2_pct", "off by more than 2/min, %", max(2.0, _top(table, "rate_off_by_2_pct"))),
        )
    ]
    return alt.hconcat(*panels).properties(title="Breath rate: found, and how far off")


def _top(table: pl.DataFrame, column: str) -> float:
    return float(table[column].fill_null(0.0).max())  # type: ignore[arg-type]


def by_share(table: pl.DataFrame) -> alt.Chart:
    """What is called as more of the trace is lost."""
    long = verdict_shares(table, ["kind", "swing_set", "artefact"]).with_columns(
        (100 * pl.col("artefact")).round(0).cast(pl.Int64).alias("lost"),
        pl.when(pl.col("swing_set") == 0)
        .then(pl.lit("no breath"))
        .otherwise(pl.format("swing {}", pl.col("swing_set")))
        .alias("swing"),
    )
    return (
        _stacked(long, "lost", "share of the trace lost, %")
        .properties(width=260, height=140)
        .facet(row=alt.Row("kind:N", title=None), column=alt.Column("swing:N", title=None))
        .properties(title="Verdicts by share of the trace lost to cough or motion")
    )


def by_length(table: pl.DataFrame) -> alt.Chart:
    """What is called of short traces, by breath rate."""
    long = verdict_shares(table, ["swing_set", "rate_set", "length_s"]).with_columns(
        pl.format("{}/min", pl.col("rate_set")).alias("rate"),
        pl.when(pl.col("swing_set") == 0)
        .then(pl.lit("no breath"))
        .otherwise(pl.format("swing {}", pl.col("swing_set")))
        .alias("swing"),
    )
    return (
        _stacked(long, "length_s", "length of the trace, s")
        .properties(width=170, height=140)
        .facet(
            row=alt.Row("swing:N", title=None),
            column=alt.Column("rate:N", title=None, sort=["8/min", "12/min", "18/min", "30/min"]),
        )
        .properties(title="Verdicts by length of the trace and breath rate")
    )


def by_sampling(table: pl.DataFrame) -> alt.Chart:
    """What is called at each sampling rate, a heart beating along."""
    long = verdict_shares(table, ["swing_set", "sampling_hz"]).with_columns(
        pl.when(pl.col("swing_set") == 0)
        .then(pl.lit("no breath"))
        .otherwise(pl.format("swing {}", pl.col("swing_set")))
        .alias("swing")
    )
    return (
        _stacked(long, "sampling_hz", "samples/s")
        .properties(width=200, height=150)
        .facet(column=alt.Column("swing:N", title=None))
        .properties(
            title="Verdicts by sampling rate, with a heart of 0.1–0.5 cm[H2O]; below 8 Hz it can alias"
        )
    )


def by_limit(table: pl.DataFrame) -> alt.Chart:
    """Operating curves: what is called present as the limit moves, and sensitivity against false alarms."""
    groups = {
        "clean": "breathing, clean",
        "cough or motion": "breathing, cough or motion",
        "hard": "breathing, hard",
        "noise": "none: noise, drift, steps, walking, coughs",
        "pump or heart": "none: pump or heart",
    }
    frame = table.with_columns(pl.col("group").replace_strict(groups).alias("traces"))
    colour = alt.Color(
        "traces:N", title=None, sort=list(groups.values()), scale=alt.Scale(range=list(SERIES))
    )
    called = (
        alt.Chart(frame)
        .mark_line(point=True)
        .encode(
            alt.X(
                "limit:Q",
                title="limit of the false-alarm chance (shipped: 1e-4)",
                scale=alt.Scale(type="log"),
                axis=alt.Axis(format=".0e", tickCount=7),
            ),
            alt.Y("present_pct:Q", title="called present, %", scale=alt.Scale(domain=[0, 100])),
            colour,
        )
    )
    shipped = alt.Chart(pl.DataFrame({"limit": [1e-4]})).mark_rule(color=GREYS[1], strokeDash=[4, 3])
    none = pl.col("group").is_in(["noise", "pump or heart"])
    alarms = (
        table.filter(none)
        .group_by("limit")
        .agg(
            ((pl.col("present_pct") * pl.col("traces")).sum() / pl.col("traces").sum()).alias("false_alarms")
        )
    )
    curve = frame.filter(~none).join(alarms, on="limit").sort("traces", "limit")
    against = alt.Chart(curve).encode(
        alt.X(
            "false_alarms:Q", title="called present of all without breath, %", scale=alt.Scale(domainMin=0)
        ),
        alt.Y("present_pct:Q", title="breathing called present, %", scale=alt.Scale(domain=[0, 100])),
        colour,
        alt.Order("limit:Q"),
    )
    chosen = against.transform_filter("datum.limit == 1e-4").mark_point(
        size=160, strokeWidth=2.5, shape="diamond"
    )
    size = {"width": 330, "height": 250}
    return alt.hconcat(
        (called + shipped.encode(alt.X("limit:Q"))).properties(**size),
        (against.mark_line(point=True) + chosen).properties(**size),
    ).properties(
        title="Operating curves over the limit of the false-alarm chance; dashes and diamonds: as shipped"
    )


def bounds(swing: pl.DataFrame, rate: pl.DataFrame) -> alt.Chart:
    """Bias of the swing and coverage of its bounds."""
    quiet = swing.filter((pl.col("artefact") == 0) & (pl.col("swing_set") >= 0.6))
    base = alt.Chart(quiet).encode(
        alt.X("swing_set:Q", title="true swing, cm[H2O]", scale=alt.Scale(type="log", domain=[0.5, 10])),
        alt.Color("noise:N", sort=["quiet", "noisy", "very noisy"], scale=alt.Scale(range=list(SERIES))),
    )
    bias = base.mark_line(point=True).encode(alt.Y("swing_error_pct:Q", title="median error of the swing, %"))
    held = base.mark_line(point=True).encode(
        alt.Y("covers_pct:Q", title="bounds hold the typical swing, %", scale=alt.Scale(domain=[50, 100]))
    )
    goal = alt.Chart(pl.DataFrame({"low": [93], "high": [97]})).mark_rect(color=GREYS[3], opacity=0.35)
    band = goal.encode(alt.Y("low:Q", title=""), alt.Y2("high:Q"))
    by = alt.Chart(rate.with_columns(pl.col("swing_set").cast(pl.String).alias("swing"))).encode(
        alt.X("rate_set:Q", title="true breaths/min"),
        alt.Y("covers_pct:Q", title="bounds hold the typical swing, %", scale=alt.Scale(domain=[50, 100])),
        alt.Color("swing:N", title="swing, cm[H2O]", scale=alt.Scale(range=list(SERIES))),
    )
    size = {"width": 280, "height": 210}
    return (
        alt.hconcat(
            bias.properties(**size),
            (band + held).properties(**size),
            (band + by.mark_line(point=True)).properties(**size),
        )
        .resolve_scale(color="independent")
        .properties(
            title="How large the swing is said to be, and how often its bounds hold it (grey: 93 to 97 %)"
        )
    )


def pumps(table: pl.DataFrame) -> alt.Chart:
    """A pump where no breath comes: what is called, by shape, regularity and rate."""
    bands = ["3–5", "5–8", "8–12", "12–20", "20–30"]
    return (
        _stacked(
            verdict_shares(table, ["pump_shape", "pump_jitter", "cycles_per_min"]),
            "cycles_per_min",
            "cycles/min",
            bands,
        )
        .properties(width=200, height=140)
        .facet(
            row=alt.Row("pump_jitter:N", title=None, sort=["regular", "jittered"]),
            column=alt.Column("pump_shape:N", title=None, sort=["saw", "relaxation", "triangle", "sine"]),
        )
        .properties(title="A pump's cycles where no breath comes: none should be called present")
    )

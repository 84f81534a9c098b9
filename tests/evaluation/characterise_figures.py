"""The figures that are held against targets, and the tables that stand beside them."""

from __future__ import annotations

import polars as pl

from tests.evaluation.characterise_score import Figure, centre, share, tally


def issue_figures(families: pl.DataFrame) -> list[Figure]:
    """
    The figures on simulated 60 s traces at 10 Hz, each with its target.

    Parameters
    ----------
    families
        As from `characterise_sweeps.families`.
    """
    figures = [
        *_class(families, "clean", sensitivity=99.5, specificity=99.8, undecided=3.0),
        *_class(families, "cough or motion", sensitivity=96.0, specificity=99.5, undecided=15.0),
    ]
    hard, nulls = _group(families, "hard"), _group(families, "hard, none")
    figures += [
        share("hard", "false 'present' where no breath comes", nulls["present"], at_most=1.0),
        share("hard", "false 'absent' of breathing", hard["absent"], at_most=0.5),
        share("hard", "sensitivity", hard["present"]),
    ]
    seen = families.filter(pl.col("group").is_in(["clean", "cough or motion", "hard"]) & pl.col("present"))
    rated = seen.filter(pl.col("rate_error").is_not_null())
    figures += [
        centre(
            "all three", "breath rate, mean absolute error", rated["rate_error"].abs(), "/min", at_most=0.3
        ),
        share("all three", "breath rate off by more than 2/min", rated["rate_error"].abs() > 2, at_most=1.0),
        centre(
            "all three",
            "swing, median error",
            100 * seen["swing_error"],
            "%",
            "median",
            at_least=-5.0,
            at_most=5.0,
        ),
        share(
            "all three",
            "bounds hold the median of this trace's breaths",
            seen["covers_here"].drop_nulls(),
            at_least=93.0,
            at_most=97.0,
        ),
        share("all three", "bounds hold the patient's typical swing", seen["covers"].drop_nulls()),
    ]
    clean = seen.filter(pl.col("group") == "clean")
    return [
        *figures,
        centre("clean", "breath rate, mean absolute error", clean["rate_error"].abs(), "/min"),
        share("clean", "bounds hold the patient's typical swing", clean["covers"].drop_nulls()),
    ]


def _class(
    families: pl.DataFrame, name: str, *, sensitivity: float, specificity: float, undecided: float
) -> list[Figure]:
    breath, none = _group(families, name), _group(families, f"{name}, none")
    decided = breath.filter(~pl.col("undecided"))
    return [
        share(name, "sensitivity", breath["present"], at_least=sensitivity),
        share(name, "sensitivity, of those decided", decided["present"]),
        share(name, "specificity", ~none["present"], at_least=specificity),
        share(name, "undecided", pl.concat([breath["undecided"], none["undecided"]]), at_most=undecided),
        share(name, "false 'absent' of breathing", breath["absent"]),
    ]


def _group(families: pl.DataFrame, name: str) -> pl.DataFrame:
    return families.filter(pl.col("group") == name)


def false_alarms(families: pl.DataFrame) -> list[Figure]:
    """How often each structured null is called `present`, with the exact bound; then all noise together."""
    null = families.filter(pl.col("group").is_in(["structured null", "hard, none"]))
    rows = [
        share("structured null", str(name), part["present"], at_most=1.0)
        for (name,), part in null.group_by(["family"], maintain_order=True)
    ]
    noise = null.filter(pl.col("family").is_in(["white noise", "AR(1) noise", "1/f noise", "drift"]))
    return [*rows, share("structured null", "noise and drift together", noise["present"])]


def pumps(families: pl.DataFrame) -> pl.DataFrame:
    """Verdicts on a pump where no breath comes, by shape, regularity and rate of its cycles."""
    alone = families.filter(pl.col("group").is_in(["hard, none"]) & pl.col("pump_shape").is_not_null())
    band = pl.col("pump_per_min").cut([5, 8, 12, 20], labels=["3–5", "5–8", "8–12", "12–20", "20–30"])
    table = tally(
        alone.with_columns(band.cast(pl.String).alias("cycles_per_min")),
        ["pump_shape", "pump_jitter", "cycles_per_min"],
    )
    order = {"3–5": 0, "5–8": 1, "8–12": 2, "12–20": 3, "20–30": 4}
    return table.sort("pump_shape", "pump_jitter", pl.col("cycles_per_min").replace_strict(order)).select(
        "pump_shape", "pump_jitter", "cycles_per_min", "traces", "present_pct", "absent_pct", "undecided_pct"
    )


def figure_table(figures: list[Figure]) -> pl.DataFrame:
    """Figures as a table, rounded as printed."""
    return pl.DataFrame(
        {
            "class": [f.of for f in figures],
            "figure": [f.what for f in figures],
            "n": [f.n for f in figures],
            "measured": [round(f.value, 3) for f in figures],
            "low": [round(f.low, 3) for f in figures],
            "high": [round(f.high, 3) for f in figures],
            "unit": [f.unit for f in figures],
            "target": [f.target for f in figures],
            "reached": [f.reached for f in figures],
        }
    )

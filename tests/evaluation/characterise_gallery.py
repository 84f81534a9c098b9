"""Typical traces with their verdicts, a panel each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl

from pipeline.report.flag_rows import BANDS
from pipeline.report.look import GREYS, picture
from pipeline.signal import assess
from tests.evaluation.characterise_families import LUNG_UP, SWEEP
from tests.evaluation.characterise_traces import Recipe, draw

HZ = 10.0
INK = {
    "present": BANDS["tidaling_present"],
    "absent": BANDS["tidaling_absent"],
    "indeterminate": GREYS[1],
    "not_assessable": GREYS[2],
}


@dataclass(frozen=True)
class Panel:
    """A title and the recipe of the trace under it; the trace is the first one of the recipe."""

    title: str
    recipe: Recipe
    seconds: int = 60


def _one(name: str, **changes: object) -> Recipe:
    plain: dict[str, object] = {
        "inverted": 0.0,
        "sigh": 0.0,
        "cv_time": (0.08, 0.08),
        "shapes": ("raised_cosine",),
    }
    return replace(SWEEP, name=f"gallery, {name}", **(plain | changes))


PANELS = (
    Panel("Quiet breathing, 15/min, swing 4", _one("clean", shapes=("exponential",))),
    Panel("Small: 12/min, swing 0.35", _one("small", swing=(0.35, 0.35), rate=(12, 12))),
    Panel("Irregular breathing", _one("irregular", cv_time=(0.3, 0.3), cv_depth=(0.4, 0.4))),
    Panel("Cough over a third", replace(_one("cough", cough=(0.33, 0.33)), cough_height=(10, 40))),
    Panel("Walking and turning over a third", _one("motion", motion=(0.33, 0.33))),
    Panel("Suction changed", _one("steps", steps=(1, 1))),
    Panel("Ventilated: upside down", replace(_one("ventilated"), shapes=("ventilator",))),
    Panel(
        "Breathing under the pump",
        _one("over pump", swing=(2, 2), pump=(1, 1), pump_period=(6, 6), pump_shapes=("saw",)),
    ),
    Panel(
        "Pump alone, saw-tooth",
        _one("saw", swing=(0, 0), pump=(1.5, 1.5), pump_period=(5, 5), pump_shapes=("saw",)),
    ),
    Panel(
        "Pump alone, near sine",
        _one("sine", swing=(0, 0), pump=(1.5, 1.5), pump_period=(4, 4), pump_shapes=("sine",)),
    ),
    Panel("Heart alone, 70/min", _one("heart", swing=(0, 0), heart=(0.4, 0.4), heart_rate=(70, 70))),
    Panel("Blocked or clamped", _one("blocked", swing=(0, 0))),
    Panel("Lung up and sealed", replace(LUNG_UP, name="gallery, lung up")),
    Panel(
        "Cough on a blocked tube",
        _one("cough, blocked", swing=(0, 0), cough=(0.3, 0.3), cough_height=(3, 12)),
    ),
    Panel("Beyond the sensor's range", _one("saturated", saturated=(0.2, 0.2))),
    Panel("Sensor stuck for 25 s", _one("stuck", stuck=(0.42, 0.42))),
    Panel("Dropouts", _one("dropouts", dropped=(0.3, 0.3))),
    Panel("10 s only", _one("short"), seconds=10),
)


def gallery(folder: Path, suffix: str = ".svg") -> Path:
    """Draw the panels, three in a row, each with what was called under its title."""
    rows = [PANELS[k : k + 3] for k in range(0, len(PANELS), 3)]
    chart = alt.vconcat(*(alt.hconcat(*(_drawn(panel) for panel in row)) for row in rows))
    return picture(chart, folder / f"tidaling-traces{suffix}")


def _drawn(panel: Panel) -> alt.Chart:
    made = draw(panel.recipe, 1, seconds=panel.seconds, rate_hz=HZ, seed=2026)
    found = assess(made.samples, HZ).row(0, named=True)
    pressure = np.where(np.isfinite(made.samples[0]), made.samples[0], np.nan)
    frame = pl.DataFrame({"s": np.arange(len(pressure)) / HZ, "pressure": pressure}, nan_to_null=True)
    return (
        alt.Chart(
            frame, title=alt.Title(panel.title, subtitle=_said(found), subtitleColor=INK[found["verdict"]])
        )
        .mark_line(strokeWidth=1.2, color=GREYS[0])
        .encode(
            alt.X("s:Q", title=None, scale=alt.Scale(domain=[0, 60])),
            alt.Y("pressure:Q", title=None, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=4)),
        )
        .properties(width=290, height=95)
    )


def _said(found: dict[str, object]) -> str:
    words = [str(found["verdict"])]
    if found["breath_rate_per_min"] is not None:
        words.append(f"{found['breath_rate_per_min']:.1f}/min")
    if found["swing_cmh2o"] is not None:
        high = "?" if found["swing_high_cmh2o"] is None else f"{found['swing_high_cmh2o']:.2f}"
        words.append(f"swing {found['swing_cmh2o']:.2f} ({found['swing_low_cmh2o']:.2f}–{high})")
    elif found["swing_high_cmh2o"] is not None:
        words.append(f"no swing above {found['swing_high_cmh2o']:.2f}")
    if found["artefact_kind"] != "none":
        lost = float(str(found["artefact_fraction"]))
        words.append(f"{found['artefact_kind']} {100 * lost:.0f} %" if lost else f"{found['artefact_kind']}")
    return ", ".join(words)

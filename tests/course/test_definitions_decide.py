"""Every figure of the definitions that decides something in the course does so without a change of code."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import Any

import polars as pl
import pytest
from pydantic import ValidationError

from pipeline.course import course_of, evidence_of
from pipeline.definitions import Decides, Definitions, load_definitions
from pipeline.simulate import Plan, Stretch, quiet_plan, therapy, traces
from schemas.lake import RESOLVED, USE_TABLE
from schemas.table import INSTANT
from tests.course.bedside import Use

DEFINITIONS = load_definitions()
# Of the sections that decide the course, those that do so before there is one: how readings are rounded, exports
# merged, uses cut and traces assessed.
BEFORE = {"resolution", "uses", "overlap", "trace"}
SECTIONS = Definitions.deciding(Decides.COURSE) - BEFORE
# Read from the drain's leak, not from the course of a use.
OF_THE_DRAIN = {"leak.join_below", "leak.blip_below", "leak.confirm", "leak.late_entry", "leak.clock_doubt"}
# Judgements within a judgement, that decide only where several others hold by a hair: no day below brings
# them about. That they are read, and no default in code, is asked of the digest.
TOO_FINE = {
    "clamp.readings",
    "envelope.carried",
    "envelope.carried_most",
    "occlusion.output_goes_on",
    "occlusion.output_before",
    "occlusion.release_within",
    "occlusion.interrupted_by",
    "occlusion.unseen_most",
    "occlusion.swing_window",
    "occlusion.swing_kept",
    "occlusion.swing_gone",
}


def figures(definitions: Definitions) -> Iterator[tuple[str, str, Any]]:
    """Section, name and value of every figure, those of a list of sections under the section's number."""
    for section, body in definitions.model_dump().items():
        for place, values in enumerate(body if isinstance(body, (list, tuple)) else [body]):
            for name, value in values.items():
                if isinstance(value, (int, float)) and not isinstance(value, str):
                    yield f"{section}.{place}" if isinstance(body, (list, tuple)) else section, name, value


def changed(section: str, name: str, value: Any) -> Definitions:
    """The definitions with one figure changed."""
    values = DEFINITIONS.model_dump()
    key, _, place = section.partition(".")
    (values[key][int(place)] if place else values[key])[name] = value
    return Definitions.model_validate(values)


def other_values(value: Any) -> list[Any]:
    """Marked changes of a figure, kept to its kind: a share stays a share, a count a count."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [max(1, value // 4), value * 4, max(1, value // 20), value * 20, value + 1]
    if 0 < value < 1:
        return [value / 5, 1 - (1 - value) / 5, min(2 * value, 0.999), value / 50]
    return [value / 4, value * 4, value / 20, value * 20]


def test_the_figures_are_all_there() -> None:
    sections = {section.partition(".")[0] for section, _, _ in figures(DEFINITIONS)}
    assert Definitions.deciding(Decides.COURSE) > BEFORE
    assert sections == set(Definitions.model_fields)


@pytest.mark.parametrize(
    ("section", "name", "value"),
    list(figures(DEFINITIONS)),
    ids=lambda part: part if isinstance(part, str) else "",
)
def test_changing_any_figure_changes_the_digest(section: str, name: str, value: Any) -> None:
    other = DEFINITIONS.model_dump()
    key, _, place = section.partition(".")
    (other[key][int(place)] if place else other[key])[name] = (
        (not value) if isinstance(value, bool) else value + 1
    )
    assert Definitions.model_validate(other).digest != DEFINITIONS.digest


HOUR = 60


def plans() -> list[tuple[Plan, int | None]]:
    """Days at the bedside in which each figure of the course has something to decide, and how often traced."""
    leaking = replace(
        quiet_plan(30 * HOUR),
        leak_first_ml_min=120.0,
        leak_last_ml_min=60.0,
        sealed_minute=40 * HOUR,
        slosh=0.05,
    )
    walks = (Stretch(300, 320), Stretch(700, 715, "flat"))
    clamp = replace(
        leaking, early_changes=(400, 900), forgotten_clamps=((1, 25), (2, 58)), canister_ml=300, walks=walks
    )
    clot = replace(
        leaking,
        fluid_first_ml_h=60.0,
        fluid_floor_ml_h=30.0,
        occlusions=(Stretch(500, 640, "rings"), Stretch(1100, 1190, "silent")),
        line_open=(Stretch(200, 203, "rings"), Stretch(330, 345, "silent")),
        blips=(Stretch(560, 564),),
    )
    bleed = replace(
        quiet_plan(30 * HOUR),
        surges=((Stretch(5, 60), 2000.0), (Stretch(600, 780), 300.0)),
        canister_ml=800,
        off=(Stretch(900, 1080),),
        knocked_over=(Stretch(300, 420),),
        change_manners=("pause", "run", "off", "noise"),
        early_changes=(500, 940, 1300),
        loops=(Stretch(1100, 1500, "fills"),),
    )
    short = replace(
        leaking,
        shortfalls=(Stretch(300, 312), Stretch(500, 640)),
        large_leaks=((Stretch(800, 860), 2400.0), (Stretch(1000, 1080), 3600.0)),
        pauses=(Stretch(200, 206), Stretch(1300, 1330)),
        sealed_minute=24 * HOUR,
        expansion=Stretch(25 * HOUR, 28 * HOUR),
    )
    kinked = replace(
        leaking,
        kinks=tuple(Stretch(at, at + 12) for at in range(300, 1700, 150)),
        clots=(Stretch(900, 1300),),
    )
    return [
        (clamp, 2),
        (clot, 5),
        (clot, None),
        (bleed, 5),
        (bleed, None),
        (short, 5),
        (kinked, 1),
        (clamp, None),
        (replace(clot, swing_cmh2o=1.4), 5),
    ]


def by_hand() -> list[Use]:
    """Uses with one thing each that no plan above has."""
    full = ["canister_full"]
    return [
        # An alert on both sides of a hole; a canister already 20 mL full when the use is seen to begin.
        Use(
            300,
            name="h1",
            begins_with_check=True,
            alerts=lambda t: full if 100 <= t < 200 else [],
            missing=range(130, 160),
            volume=lambda t: 20.0 + 0.1 * t,
        ),
        # A nearly empty canister changed beside a pause; a fuller one after hours unread.
        Use(
            300,
            name="h2",
            volume=lambda t: 22.0 if t < 60 else 8.0 + 0.1 * (t - 60),
            state=lambda t: "pause" if 55 <= t < 57 else "run",
        ),
        Use(
            900,
            name="h6",
            volume=lambda t: 100.0 + 0.4 * t if t < 600 else 230.0 + 0.2 * (t - 700),
            missing=range(500, 700),
        ),
        # Every other minute is missing: windows with few minutes in them.
        Use(300, name="h7", traces=lambda t: False, missing=range(1, 300, 2)),
        # Untraced: breathing while the drain is carried for some minutes, and ranges about the quiet floor.
        Use(400, name="h3", traces=lambda t: False, tilt=lambda t: 25.0 if 200 <= t < 205 else 1.0),
        # Leans by and by, is carried about, leans again: what it reads meanwhile is no level.
        Use(
            300,
            name="h8",
            traces=lambda t: False,
            volume=lambda t: t + (20.0 if 97 <= t < 113 else 0.0),
            tilt=lambda t: 8.5 if 97 <= t < 100 else 25.0 if 100 <= t < 104 or 110 <= t < 113 else 2.0,
        ),
        # Leans for three hours, which no angle tells.
        Use(
            500,
            name="h9",
            traces=lambda t: False,
            volume=lambda t: 300.0 + 0.1 * t + (80.0 if 150 <= t < 330 else 0.0),
            tilt=None,
        ),
        # Carried about for an hour, which no angle tells.
        Use(
            400,
            name="h10",
            traces=lambda t: False,
            volume=lambda t: round(200 + 0.1 * t + (25 + 15 * math.sin(2.1 * t) if 150 <= t < 210 else 0)),
            tilt=None,
        ),
        Use(400, name="h4", traces=lambda t: False, low=-20.2, high=-19.55, leak=0.0),
        Use(400, name="h5", traces=lambda t: False, low=-20.0, high=-19.75, leak=0.0),
    ]


@cache
def bedside() -> tuple[pl.DataFrame, ...]:
    """The plans lived through: resolved minutes, uses, evidence; and notes of staff."""
    hands = by_hand()
    rows = [use.resolved for use in hands]
    uses = [use.table for use in hands]
    evidence = [use.evidence for use in hands]
    for seed, (plan, every) in enumerate(plans()):
        lived = therapy(seed, plan) if every is None else traces(therapy(seed, plan), every)
        named = {"use_id": f"s:d{seed}/1", "site": "s", "device": f"d{seed}", "session": 1, "epoch": 0}
        resolved = RESOLVED.conform(
            lived.log.with_columns(
                *(pl.lit(value).alias(name) for name, value in named.items()),
                utc_offset_minutes=0,
                exports=1,
                conflicting=False,
                clock_step=False,
                clock_uncertain=False,
            )
        )
        rows.append(resolved)
        evidence.append(evidence_of(resolved, DEFINITIONS))
        uses.append(
            USE_TABLE.conform(
                pl.DataFrame(
                    {
                        **named,
                        "stretch": 0,
                        "timezone": "UTC",
                        "started_at": lived.start,
                        "ended_at": lived.end,
                        "minutes_observed": resolved.height,
                        "begins_with_check": True,
                        "clock_uncertain": False,
                        "clock_steps": 0,
                        "last_export_at": lived.end + timedelta(days=2),
                        "later_session": False,
                    }
                )
            )
        )
    return pl.concat(rows), pl.concat(uses), pl.concat(evidence)


def told(definitions: Definitions) -> dict[str, pl.DataFrame]:
    nothing = {"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String}
    cuts = pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT})
    return vars(course_of(*bedside(), cuts, pl.DataFrame(schema=nothing), definitions))


@cache
def as_shipped() -> dict[str, pl.DataFrame]:
    return told(DEFINITIONS)


def moves(section: str, name: str, value: Any) -> bool:
    """Whether one of the changes makes another course: its minutes, periods without their words, the rest."""
    for other in other_values(value):
        try:
            definitions = changed(section, name, other)
        except ValidationError:
            continue
        found = told(definitions)
        for table, frame in as_shipped().items():
            drop = ["detail"] if table == "periods" else []
            if not frame.drop(drop).equals(found[table].drop(drop)):
                return True
    return False


@pytest.mark.parametrize(
    ("section", "name", "value"),
    [
        (section, name, value)
        for section, name, value in figures(DEFINITIONS)
        if section in SECTIONS and f"{section}.{name}" not in OF_THE_DRAIN | TOO_FINE
    ],
    ids=lambda part: part if isinstance(part, str) else "",
)
def test_changing_a_figure_of_the_course_changes_the_course(section: str, name: str, value: Any) -> None:
    assert moves(section, name, value)

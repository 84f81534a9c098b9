"""The papers beside the sample logs: registry with its faults and corrections, staff's notes, README."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.simulate.plan import Stretch
from pipeline.simulate.registry import Annotation, RegistryDrain
from pipeline.simulate.sample_ward import STAYS
from pipeline.simulate.sites import LAKESIDE
from pipeline.simulate.therapy import Therapy


def registry(lives: dict[int, Therapy]) -> tuple[list[RegistryDrain], list[RegistryDrain]]:
    """The registry as first written, faults included, and the rows that come again corrected."""
    right = [row for stay in STAYS for row in stay.rows(lives[stay.number])]
    by_key = {row.drain_key: row for row in right}
    late = by_key["LS-0109"]
    assert late.tube_out_at is not None
    first = dict(by_key)
    first["LS-0109"] = replace(late, tube_out_at=late.tube_out_at - timedelta(hours=20))
    first["NO-0205"] = replace(by_key["NO-0205"], uses="", device="NK-0104")
    first["LS-0107"] = replace(by_key["LS-0107"], tube_out_at=None, removal_reason="")
    first["LS-0106"] = replace(by_key["LS-0106"], side=by_key["LS-0105"].side, tube_french=20)
    # A drain whose log never came.
    first["LS-0108"] = replace(
        by_key["LS-0109"],
        drain_key="LS-0108",
        patient_key="P-0112",
        uses="DV-0009/2",
        age_years=59,
        sex="f",
        tube_in_at=late.tube_in_at + timedelta(days=3),
        procedure_end_at=None,
        tube_out_at=late.tube_out_at + timedelta(days=3),
    )
    return [first[key] for key in sorted(first)], [by_key["LS-0107"]]


def staff_notes(lives: dict[int, Therapy]) -> list[Annotation]:
    """What staff wrote beside the logs."""

    def note(number: int, key: str, stretch: Stretch, kind: str, role: str, text: str) -> Annotation:
        lived = lives[number]
        start, end = (
            LAKESIDE.local(lived.start + timedelta(minutes=m)) for m in (stretch.start, stretch.end)
        )
        return Annotation(key, LAKESIDE.name, start, end, kind, role, text)

    plans = {stay.number: stay.plan for stay in STAYS}
    return [
        # Only a note: whether the tube was blocked is for the log to say.
        note(101, "LS-0101", plans[101].occlusions[0], "note", "nurse", "tube milked, runs again"),
        note(107, "LS-0107", plans[107].clamps[0], "clamp_trial", "surgeon", "no leak, clamp before removal"),
        note(
            110,
            "LS-0110",
            plans[110].occlusions[0],
            "confirmed_occlusion",
            "surgeon",
            "clot found on exchange",
        ),
        note(111, "LS-0111", plans[111].ventilated[0], "ventilated", "nurse", "after surgery"),
    ]


def readme(purpose: dict[str, str], truth: pl.DataFrame) -> str:
    """The README of the sample folder."""
    files = "\n".join(f"| `{name}` | {what} |" for name, what in purpose.items())
    drains = "\n".join(
        f"| {row['drain_key'] or '(unlinked)'} | {', '.join(row['uses'])} | {row['story']} "
        f"| {_hours(row)} | {row['expected_prolonged_leak']} | {row['expected_reason'] or ''} |"
        for row in truth.iter_rows(named=True)
    )
    return f"""# Sample logs

Everything in this folder is invented: hospitals, patients, devices, readings. It was made by the simulator,

    python -m pipeline.simulate.samples

which writes the same files every time. Two sites: `lakeside` exports drain logs of version 1
(Europe/Zurich), `north` its own layout (Europe/Helsinki, read by `shared/profiles/north.toml`).
Summer time begins on 30 March 2031.

The ledger looks back at finished therapy, for audit, teaching and research. It is no monitor and no
medical device, and neither it nor these files decide anything at a bedside.

## Files

| file | what it is for |
|---|---|
{files}

## Drains, and what really happened

`leak` is the true duration in hours from the end of the procedure (an unlinked use: from its first
minute); `prolonged` is what an honest ledger can know of it.

| drain | uses | what | leak | prolonged | reason |
|---|---|---|---|---|---|
{drains}
"""


def _hours(row: dict[str, Any]) -> str:
    if row["leak_hours"] is None:
        return ""
    if row["leaking_at_end"]:
        return f"more than {row['leak_hours']:.0f}"
    return f"{row['leak_hours']:.1f}"

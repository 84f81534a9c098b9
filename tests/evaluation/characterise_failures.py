"""Where the detector errs or cannot decide, in sentences whose figures come from the run."""

from __future__ import annotations

import polars as pl


def weaknesses(by_family: pl.DataFrame, families: pl.DataFrame, sweeps: dict[str, pl.DataFrame]) -> str:
    """
    The known failures as a Markdown list.

    Parameters
    ----------
    by_family
        As from `tally` over `family`.
    families
        Every trace of the families.
    sweeps
        Tables `swing`, `sampling`, `share`.
    """
    of = {str(row["family"]): row for row in by_family.iter_rows(named=True)}

    def called(family: str, what: str) -> str:
        return f"{of[family][f'{what}_pct']:.1f} %"

    pump = families.filter(pl.col("pump_shape").is_not_null() & ~pl.col("breathing"))
    by_shape = {
        str(shape): 100 * float(part["present"].mean())  # type: ignore[arg-type]
        for (shape,), part in pump.group_by(["pump_shape"])
    }
    shapes = ", ".join(
        f"{name} {by_shape[shape]:.1f} %"
        for shape, name in (
            ("saw", "saw-tooth"),
            ("relaxation", "relaxation"),
            ("triangle", "triangle"),
            ("sine", "near sine"),
        )
    )
    even, uneven = (
        100 * float(pump.filter(pl.col("pump_jitter") == how)["present"].mean())  # type: ignore[arg-type]
        for how in ("regular", "jittered")
    )
    noisy = _cell(sweeps["swing"], noise="very noisy", artefact=0.0, swing_set=1.0)
    slow = _cell(sweeps["sampling"], sampling_hz=5.0, swing_set=1.5)
    lost = _cell(sweeps["share"], kind="cough", swing_set=4.0, artefact=0.4)
    moved = _cell(sweeps["share"], kind="motion", swing_set=4.0, artefact=0.4)
    lines = [
        f"**A pump's cycles at a chest's rate, where no breath comes**, called `present`: {shapes}. Even ones (lengths "
        f"varying by under 1 %): {even:.1f} %; uneven ones (2–8 %): {uneven:.1f} %. A smooth pump whose cycles vary as much "
        "as breaths cannot be told from a chest, least of all one that misses but one of its two pressures; and a "
        "pump under a patient's breathing moves the swing.",
        f"**A ventilator's breaths** can be as regular as a pump's: {called('ventilated', 'present')} `present`, "
        f"{called('ventilated', 'undecided')} undecided, {called('ventilated', 'absent')} `absent`.",
        f"**Very regular breathing**, as in deep sleep (intervals varying by 2–5 %, depths by 3–10 %): "
        f"{called('asleep', 'present')} `present`, {called('asleep', 'undecided')} undecided.",
        f"**Irregular breathing** (intervals varying by 20–35 %): {called('irregular', 'undecided')} undecided. "
        f"With one pause of 10–20 s: {called('apnoea', 'undecided')}. Waxing and waning over 40–60 s: "
        f"{called('waxing and waning', 'undecided')}. Called `absent`: {called('irregular', 'absent')}, "
        f"{called('apnoea', 'absent')}, {called('waxing and waning', 'absent')}.",
        f"**Much cough or motion**: with 40 % of a minute lost, breathing of 4 cm[H2O] at 8–30/min is undecided in "
        f"{lost['undecided_pct']:.0f} % (cough) and {moved['undecided_pct']:.0f} % (motion) of traces. Motion on a line "
        f"that carries no breath is undecided in {called('motion, none', 'undecided')}.",
        f"**A small swing** (true 0.15–0.45, below what counts as breathing): {called('partly blocked', 'present')} "
        f"`present`, {called('partly blocked', 'undecided')} undecided, {called('partly blocked', 'absent')} `absent`.",
        f"**Noise**: with noise of 0.25 cm[H2O] a true swing of 1 is read "
        f"{noisy['swing_error_pct']:+.0f} % off (median), and the bounds hold it in {noisy['covers_pct']:.0f} %.",
        f"**Saturation**: breaths cut off by the sensor's range read {of['saturated']['swing_error_pct']:+.0f} % off; "
        f"the bounds hold the typical swing in {of['saturated']['covers_pct']:.0f} % of such traces called `present`.",
        f"**Below 8 samples/s** a swing of 1.5 is called `present` in {slow['present_pct']:.0f} % (5 Hz): the heart "
        "could be what is seen, so a larger swing is asked for.",
        f"**Readings rounded to 0.5**: a line without breath then often never moves, "
        f"{called('rounded to 0.5, none', 'undecided')} undecided.",
    ]
    return "\n".join(f"- {line}" for line in lines)


def _cell(table: pl.DataFrame, **where: object) -> dict[str, float]:
    found = table.filter(pl.all_horizontal(pl.col(k) == v for k, v in where.items()))
    return dict(found.row(0, named=True))

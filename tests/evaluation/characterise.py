"""
What the breathing detector does on traces whose truth is known: `python -m tests.evaluation.characterise`.

`--traces N` sets how many traces of each family are made (default 4000), the sweeps take a share of that.
`--quick` runs a small part in seconds and writes nothing. `--seed` other traces, figures for comparison only.
The full run writes CSV tables and the operating curves beside the guide and fills the guide's tables in.
"""

from __future__ import annotations

import argparse
import sys
import time

import polars as pl

from pipeline.provenance import code_version
from tests.evaluation import characterise_sweeps as sweeps
from tests.evaluation.characterise_failures import weaknesses
from tests.evaluation.characterise_figures import false_alarms, figure_table, issue_figures, pumps
from tests.evaluation.characterise_score import tally
from tests.evaluation.characterise_tables import GUIDE, filled_in, marked_down, printed, thresholds, written

SEED = 2026
FOLDER = GUIDE.parent / "tidaling"
PICTURES = GUIDE.parent / "pictures"


def main(arguments: list[str]) -> int:
    """Run, print, write; 1 where a target was missed, 0 otherwise."""
    options = _options(arguments)
    run = sweeps.Run(
        options.seed, options.traces, max(20, options.traces // 20), max(4, options.traces // 200)
    )
    begin = time.perf_counter()
    families = sweeps.families(run)
    figures, alarms = figure_table(issue_figures(families)), figure_table(false_alarms(families))
    print(f"seed {run.seed}, {run.family} traces a family, 60 s at 10 Hz, {code_version()}\n")
    print(printed(figures), "\n")
    print(printed(alarms), "\n")
    if not options.quick:
        _written(run, families, figures, alarms, options.seed == SEED)
        print(f"\n{time.perf_counter() - begin:.0f} s; tables in {FOLDER}, curves in {PICTURES}")
    return int((figures["reached"] == "no").any())


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="characterise", description=str(__doc__).split("\n\n")[0])
    parser.add_argument("--traces", type=int, help="traces a family (default 4000, quick 150)")
    parser.add_argument(
        "--quick", action="store_true", help="the main figures only, in seconds; writes nothing"
    )
    parser.add_argument("--seed", type=int, default=SEED, help=f"the published figures have {SEED}")
    options = parser.parse_args(arguments)
    options.traces = options.traces or (150 if options.quick else 4000)
    return options


def _written(
    run: sweeps.Run, families: pl.DataFrame, figures: pl.DataFrame, alarms: pl.DataFrame, published: bool
) -> None:
    from tests.evaluation import characterise_pictures as pictures
    from tests.evaluation.characterise_gallery import gallery
    from tests.evaluation.characterise_recordings import beside_neurokit2

    if not published:
        return
    PICTURES.mkdir(parents=True, exist_ok=True)
    by_family, by_pump = tally(families, ["group", "family"]), pumps(families)
    recordings = beside_neurokit2()
    tables = {
        "figures": figures,
        "false-alarms": alarms,
        "families": by_family,
        "pump": by_pump,
        "recordings": recordings,
        "swing": tally(sweeps.swing_sweep(run), ["noise", "artefact", "swing_set"]),
        "rate": tally(sweeps.rate_sweep(run), ["swing_set", "rate_set"]),
        "share": tally(sweeps.share_sweep(run), ["kind", "swing_set", "artefact"]),
        "length": tally(sweeps.length_sweep(run), ["swing_set", "rate_set", "length_s"]),
        "sampling": tally(sweeps.sampling_sweep(run), ["swing_set", "sampling_hz"]),
        "limit": tally(sweeps.operating_curves(run), ["group", "limit"]),
        "chest-or-pump": tally(sweeps.pump_curves(run), ["moved", "family"]),
        "crossed": tally(
            sweeps.crossed(run), ["swing_set", "rate_set", "noise", "artefact", "length_s", "sampling_hz"]
        ),
    }
    for name, table in tables.items():
        written(table, FOLDER, name)
    pictures.draw_all(tables, PICTURES)
    gallery(PICTURES)
    parts = {
        "figures": _how(run) + marked_down(figures),
        "false-alarms": marked_down(alarms),
        "families": marked_down(by_family),
        "pump": marked_down(by_pump),
        "recordings": marked_down(recordings),
        "weaknesses": weaknesses(by_family, families, tables),
        "thresholds": marked_down(thresholds("trace", "envelope", "tidaling")),
        "limit": marked_down(tables["limit"].select("group", "limit", "traces", "present_pct", "absent_pct")),
        "chest-or-pump": marked_down(
            tables["chest-or-pump"].pivot(on="moved", index="family", values="present_pct")
        ),
    }
    if GUIDE.exists():
        GUIDE.write_text(filled_in(GUIDE.read_text(encoding="utf-8"), parts), encoding="utf-8")


def _how(run: sweeps.Run) -> str:
    return f"Seed {run.seed}, {run.family} traces a family, 60 s at 10 Hz, code {code_version()}.\n\n"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

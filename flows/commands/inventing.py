"""Invented therapy with the truth behind it: `simulate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from flows.app import TRY, Json, app, examples
from flows.exits import DONE


@app.command(group=TRY, help_epilogue=examples("simulate --drains 20 --seed 1 --out invented"))
def simulate(
    *,
    drains: Annotated[int, Parameter(help="How many drains.")],
    seed: Annotated[int, Parameter(help="The same seed gives the same files.")],
    out: Annotated[Path, Parameter(help="Folder to write; must be new or empty.")],
    json_: Json = False,
) -> int:
    """Write invented logs, a registry and the truth behind them.

    Every run with the same seed gives the same files.
    """
    from flows.show.meter import Meter
    from flows.show.results import show_json
    from pipeline.simulate import simulate as write

    with Meter() as progress:
        made = write(out, drains, seed, on_drain=lambda done: progress("simulating drains", done, drains))
    if json_:
        show_json(
            {
                "logs": str(made.logs),
                "log_files": len(made.log_files),
                "registries": [str(path) for path in made.registries],
                "annotations": [str(path) for path in made.annotations],
                "truth": str(made.truth),
            }
        )
        return DONE
    registries = " ".join(str(path.parent) for path in made.registries[:1])
    notes = " ".join(str(path.parent) for path in made.annotations[:1])
    print(
        f"{len(made.log_files)} logs of {drains} drains in {made.logs}; the truth behind them in {made.truth}"
    )
    print(f"Load them: drainledger load {made.logs} {registries} {notes}".rstrip())
    return DONE

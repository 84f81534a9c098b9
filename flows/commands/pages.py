"""Pages people look at: `report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from flows.app import LOOK, HomeDir, Json, app, examples, open_ledger
from flows.exits import DONE
from schemas.errors import CallError

MOST_DRAINS = 12


@app.command(group=LOOK, help_epilogue=examples("report --out pages", "report --out pages --drain DX62"))
def report(
    *,
    out: Annotated[Path, Parameter(help="Folder to write: new, empty, or an earlier report.")],
    drain: Annotated[
        list[str] | None,
        Parameter(negative="", help="A drain's page: its drain_id or enough of it. May come again."),
    ] = None,
    most: Annotated[
        int, Parameter(help="Without --drain: pages for up to so many drains worth looking at.")
    ] = MOST_DRAINS,
    rule: Annotated[
        list[str] | None,
        Parameter(negative="", help="Mark months by a further chart rule (see chart_rule). May come again."),
    ] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Write HTML pages that need no network.

    The cohort's, and drains' whole courses.

    Counts on them are small enough to point at a patient: they are for inside the house.
    """
    from flows.looking.report import run_report
    from flows.show.meter import Meter
    from flows.show.results import show_json

    if most < 0:
        raise CallError(f"report: --most {most}: not a count; write 0 or more.")
    with Meter() as progress:
        made = run_report(
            open_ledger(home), out, drains=drain or (), most=most, rules=rule or (), progress=progress
        )
    if json_:
        show_json(made.record())
        return DONE
    print(f"Written: {made.index}")
    for path in made.drains.values():
        print(f"  {path}")
    if made.chosen:
        print(
            f"Drains chosen: {made.chosen}, for what stands out (--most {most}); any other with --drain ID."
        )
    print("For inside the house: small counts can point at a patient.")
    return DONE

"""See how a ledger is, and keep it in shape: `doctor maintain`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from flows.app import KEEP, HomeDir, Json, app, examples, now, open_ledger
from flows.exits import DONE, FAILED, SOME_REJECTED


@app.command(group=KEEP, help_epilogue=examples("doctor", "doctor --all"))
def doctor(
    *,
    all_: Annotated[
        bool, Parameter(name="--all", negative="", help="Look at every raw file and part, not at a sample.")
    ] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Look the ledger over and say what to do.

    Versions, permissions, disk, key, raw files, lake, database. Writes nothing. Exit status 0: all is fine;
    1: something to look at; 3: something is broken.
    """
    from flows.keeping.doctor import examine, worst
    from flows.keeping.finding import Grade
    from flows.show.upkeep import show_examination

    findings = examine(open_ledger(home), now(), every=all_)
    show_examination(findings, as_json=json_)
    return {Grade.FINE: DONE, Grade.ADVICE: SOME_REJECTED, Grade.BROKEN: FAILED}[worst(findings)]


@app.command(group=KEEP, help_epilogue=examples("maintain"))
def maintain(*, home: HomeDir, json_: Json = False) -> int:
    """Keep the lake in shape; changes no row.

    Small files go together, files and log entries nobody needs go away. What the published database or an
    extract was made from stays, and what went out of use lately.
    """
    from flows.keeping.upkeep import maintain as keep_up
    from flows.show.upkeep import show_upkeep

    show_upkeep(keep_up(open_ledger(home)), as_json=json_)
    return DONE

"""Nights without anyone watching: `nightly serve`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from flows.app import TAKE_IN, VARIABLE, HomeDir, Json, Profile, Site, app, examples, now, open_home

if TYPE_CHECKING:
    from pipeline.store import Home

Landing = Annotated[Path | None, Parameter(help="Folder that sites drop their files into.")]
Report = Annotated[Path | None, Parameter(help="Folder to write the report to.")]
Settle = Annotated[
    float | None,
    Parameter(
        name="--settle",
        help="Minutes a file must have lain unwritten to count as whole; 0: take everything at once.",
    ),
]
After = Annotated[
    Literal["keep", "move", "delete"] | None,
    Parameter(help="What becomes of a file in the landing folder once the ledger holds it."),
]
Done = Annotated[Path | None, Parameter(help="Folder that loaded files are moved to, with --after move.")]
LogTo = Annotated[
    Literal["json"] | None, Parameter(name="--log", help="Write events to standard error too, as JSON lines.")
]


@app.command(group=TAKE_IN, help_epilogue=examples("nightly --landing dropped/ --report pages/"))
def nightly(
    *,
    landing: Landing = None,
    report: Report = None,
    settle: Settle = None,
    after: After = None,
    done: Done = None,
    profile: Profile = None,
    site: Site = None,
    plain: Annotated[bool, Parameter(negative="", help="Without Prefect: no server, no artifact.")] = False,
    log: LogTo = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """One scheduled run: landing folder, load, report, summary.

    What is not said is read from nightly.toml. Files are never moved or deleted in the landing folder unless
    --after says so. One line is printed. Exit status 0: done; 1: done, but something it brought was rejected
    or unreadable; 2: wrong call; 3: failed.
    """
    from flows.nights.asked import one_night, settings_of
    from flows.show.results import show_json

    if log is not None:
        os.environ["DRAINLEDGER_LOG"] = log
    said = {
        "landing": landing,
        "report": report,
        "settle_minutes": settle,
        "after": after,
        "done": done,
        "profile": profile,
        "site": site,
        "prefect": False if plain else None,
    }
    ledger = _ledger_to_be(home)
    night = one_night(ledger, settings_of(ledger, said), now())
    if json_:
        show_json(night.facts())
    else:
        print(f"nightly: {night.line()}")
    return night.exit


@app.command(
    group=TAKE_IN,
    help_epilogue=examples('serve --landing dropped/ --cron "30 2 * * *" --timezone Europe/Zurich'),
)
def serve(
    *,
    landing: Landing = None,
    report: Report = None,
    cron: Annotated[
        str | None, Parameter(help="When: minute hour day month weekday. Else 30 2 * * *.")
    ] = None,
    timezone: Annotated[str | None, Parameter(help="IANA time zone of the schedule. Else UTC.")] = None,
    settle: Settle = None,
    after: After = None,
    done: Done = None,
    profile: Profile = None,
    site: Site = None,
    name: Annotated[str | None, Parameter(help="Name of the Prefect deployment.")] = None,
    log: LogTo = None,
    home: HomeDir,
) -> int:
    """Keep `nightly` scheduled until stopped.

    As a Prefect deployment, at most one run at a time. With PREFECT_API_URL set that server is used; else one
    is started here, reachable from this machine alone. The landing folder must be there already.
    """
    from flows.nights.night_settings import night_settings
    from flows.nights.serving import serve_nights

    if log is not None:
        os.environ["DRAINLEDGER_LOG"] = log
    said = {
        "landing": landing,
        "report": report,
        "cron": cron,
        "timezone": timezone,
        "settle_minutes": settle,
        "after": after,
        "done": done,
        "profile": profile,
        "site": site,
        "name": name,
    }
    return serve_nights(_ledger_to_be(home), night_settings(home, said), said)


def _ledger_to_be(path: Path) -> Home:
    """The home, begun in the object store that the environment names, where it does not exist yet."""
    home = open_home(path)
    if store := os.environ.get(VARIABLE):
        from flows.keeping.storing import begin_store

        begin_store(home, store)
    return home

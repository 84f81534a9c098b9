"""Take files in, look at what is kept, make it anew: `demo load check status rejected rebuild`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from flows.app import (
    KEEP,
    LOOK,
    TAKE_IN,
    TRY,
    VARIABLE,
    HomeDir,
    Json,
    Profile,
    Site,
    app,
    examples,
    now,
    open_home,
    open_ledger,
)
from flows.exits import DONE, SOME_REJECTED
from schemas.errors import CallError


@app.command(group=TRY, help_epilogue=examples("demo"))
def demo(*, home: HomeDir, json_: Json = False) -> int:
    """Load the sample logs into a fresh home and print the main figures.

    The home is ./demo-ledger where --home does not name another.
    """
    from flows.demo import run_demo

    return run_demo(home if home != Path("ledger") else Path("demo-ledger"), as_json=json_)


@app.command(
    group=TAKE_IN,
    help_epilogue=examples("load exports/ registry.csv", "load exports/ --profile my_site.toml --json"),
)
def load(
    *paths: Path,
    profile: Profile = None,
    site: Site = None,
    registry: Annotated[
        list[Path] | None,
        Parameter(negative="", help="Registry or annotation file, where it does not lie among PATHS."),
    ] = None,
    take_back: Annotated[
        bool, Parameter(negative="", help="Let withdrawn files among PATHS count again.")
    ] = False,
    store: Annotated[
        str | None,
        Parameter(help="Keep a new home's raw files and lake there: s3://bucket/prefix.", env_var=VARIABLE),
    ] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Take files in, compute what they touch, publish.

    Again with the same files changes nothing. What cannot be read is rejected with a reason and a record.

    Parameters
    ----------
    paths
        Files and folders. Logs, registries and annotations are told apart by their first line.
    """
    from dataclasses import replace

    from flows.loading.request import request_for
    from flows.loading.survey import find_files
    from flows.nights.runs import recorded
    from flows.show.meter import Meter
    from flows.show.results import show_load

    every = [*paths, *(registry or [])]
    if not every:
        raise CallError("load: no path given; name the files or folders to load.")
    ledger = open_home(home)
    if store is not None:
        from flows.keeping.storing import begin_store

        begin_store(ledger, store)
    begun = not ledger.exists()
    if begun:  # a wrong call leaves nothing behind; a load that is killed is on record
        find_files(every, ledger.root)
        request_for(ledger, profile, site)
        ledger.create()
    # Without one of these nobody should wait for a server to start.
    if any(os.environ.get(name) for name in ("PREFECT_API_URL", "DRAINLEDGER_DASK")) and not take_back:
        from flows.orchestration.orchestrator import prepare

        prepare(ledger.root)
        from flows.orchestration.prefect_load import load_under_prefect

        with recorded(ledger, "load") as run, Meter() as progress:
            summary = load_under_prefect(ledger, every, profile, site, progress=progress)
            run.loaded(summary)
    else:
        from flows.loading.load import run_load

        with recorded(ledger, "load") as run, Meter() as progress:
            request = replace(request_for(ledger, profile, site), take_back=take_back)
            summary = run_load(ledger, every, request, now(), progress=progress)
            run.loaded(summary)
    show_load(summary, ledger, as_json=json_, profile=profile)
    if begun and not json_:
        print(f"A new ledger was begun in {ledger.root}; if you meant another, name it with --home.")
    return DONE if summary.clean else SOME_REJECTED


@app.command(group=TAKE_IN, help_epilogue=examples("check exports/", "check exports/ --profile my_site.toml"))
def check(
    *paths: Path, profile: Profile = None, site: Site = None, home: HomeDir, json_: Json = False
) -> int:
    """Say what `load` would do with files; writes nothing.

    Row by row where it matters. The line `understood` is the one to read to somebody who knows the device.

    Parameters
    ----------
    paths
        Files and folders.
    """
    from flows.loading.checking import check_files
    from flows.loading.held import held_files
    from flows.loading.request import request_for
    from flows.loading.survey import survey
    from flows.show.checked import show_check
    from flows.show.plain import plain

    if not paths:
        raise CallError("check: no path given; name the files or folders to check.")
    found = survey(paths, home)
    ledger = open_home(home)
    request = request_for(ledger, profile, site)
    for sentence in request.set_aside:
        print(f"drainledger: set aside: {plain(sentence)}", file=sys.stderr)
    held = held_files(ledger, request)
    clean = show_check(found, check_files(found, request, held), held, as_json=json_)
    return DONE if clean and not request.set_aside else SOME_REJECTED


@app.command(group=LOOK, help_epilogue=examples("status", "status --json"))
def status(*, home: HomeDir, json_: Json = False) -> int:
    """What is loaded, how fresh, what was rejected, what is running.

    And what waits, what does not add up, what was withdrawn, and when the next run is.
    """
    from flows.looking.status import ledger_status
    from flows.show.standing import show_status

    show_status(ledger_status(open_ledger(home), now()), as_json=json_)
    return DONE


@app.command(group=LOOK, help_epilogue=examples("rejected", "rejected --file export.csv"))
def rejected(
    *,
    file: Annotated[
        str | None, Parameter(help="First digits of a file's SHA-256, its name, or a path to it.")
    ] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Rejected files, rows and cells, with reasons and values.

    Alike rows are joined, and many of one column and rule; of each file 20 lines are shown, of one named
    with --file each, with its value. The values come from the private store: they may hold what is a
    patient's.
    """
    from flows.looking.rejected import rejected_rows
    from flows.show.results import show_rejected

    show_rejected(rejected_rows(open_ledger(home), file), as_json=json_, every=file is not None)
    return DONE


@app.command(group=KEEP, help_epilogue=examples("rebuild"))
def rebuild(*, home: HomeDir, json_: Json = False) -> int:
    """Make everything derived again from the raw files.

    Readers keep the database as it is until the new one is swapped in.
    """
    from flows.loading.load import run_rebuild
    from flows.loading.request import request_for
    from flows.nights.runs import recorded
    from flows.show.meter import Meter
    from flows.show.results import show_load

    ledger = open_ledger(home)
    with recorded(ledger, "rebuild") as run, Meter() as progress:
        summary = run_rebuild(ledger, request_for(ledger), now(), progress=progress)
        run.loaded(summary, rebuilt=True)
    show_load(summary, ledger, as_json=json_, rebuilt=True)
    return DONE

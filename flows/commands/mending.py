"""Put right what was loaded, take out what must go, keep it all: `withdraw reread erase backup restore`."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from flows.app import KEEP, TAKE_IN, HomeDir, Json, Profile, Site, app, examples, now, open_home, open_ledger
from flows.exits import DONE, SOME_REJECTED
from schemas.errors import CallError


@app.command(
    group=KEEP, help_epilogue=examples("withdraw", 'withdraw 3f2a91 --why "export of a test device"')
)
def withdraw(
    *files: str,
    why: Annotated[
        str | None, Parameter(help="The reason, in your own words; kept in the private store.")
    ] = None,
    undo: Annotated[bool, Parameter(negative="", help="Let the files count again.")] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Take files out of everything derived; their record stays.

    Without files: lists what is withdrawn.

    Parameters
    ----------
    files
        First digits of a file's SHA-256, its name, or a path to it as `load` prints it.
    """
    from flows.keeping.withdraw import run_take_back, run_withdraw, withdrawals
    from flows.loading.request import request_for
    from flows.show.mended import show_withdrawals, show_withdrawn
    from flows.show.meter import Meter

    ledger = open_ledger(home)
    if not files:
        show_withdrawals(withdrawals(ledger), as_json=json_)
        return DONE
    if undo and why is not None:
        raise CallError("withdraw: --undo takes no reason; leave --why out.")
    if not undo and why is None:
        raise CallError('withdraw: no reason given; say --why "…".')
    request = request_for(ledger)
    with Meter() as progress:
        if undo:
            summary = run_take_back(ledger, files, request, now(), progress)
        else:
            summary = run_withdraw(ledger, files, why or "", request, now(), progress)
    show_withdrawn(summary, ledger, undone=undo, as_json=json_)
    return DONE


@app.command(group=TAKE_IN, help_epilogue=examples("reread", "reread 3f2a91 --profile my_site.toml"))
def reread(
    *files: str, profile: Profile = None, site: Site = None, home: HomeDir, json_: Json = False
) -> int:
    """Read files again that wait for a profile, or whose profile was mended.

    Without files: all that are due.

    Parameters
    ----------
    files
        First digits of a file's SHA-256, its name, or a path to it. With --profile and without files:
        all files of that profile, and those that wait for one.
    """
    from flows.loading.load import run_reread
    from flows.loading.request import request_for
    from flows.show.mended import show_reread
    from flows.show.meter import Meter

    ledger = open_ledger(home)
    if site is not None and not files:
        raise CallError("reread: --site needs the files it is meant for; name them.")
    with Meter() as progress:
        summary = run_reread(ledger, files, request_for(ledger, profile, site), now(), progress=progress)
    show_reread(summary, ledger, as_json=json_, profile=profile)
    return DONE if all(o.clean for o in summary.again) else SOME_REJECTED


@app.command(
    group=KEEP, help_epilogue=examples('erase --patient P-17 --site lakeside --why "on request" --dry-run')
)
def erase(
    *,
    patient: Annotated[str | None, Parameter(help="The hospital's key of a patient; needs --site.")] = None,
    drain: Annotated[
        str | None, Parameter(help="The hospital's key of a drain (needs --site), or a published drain_id.")
    ] = None,
    site: Annotated[str | None, Parameter(help="Site of the key.")] = None,
    file: Annotated[
        list[str] | None,
        Parameter(negative="", help="A file, whole: first digits of its SHA-256, name or path."),
    ] = None,
    older_than: Annotated[
        float | None, Parameter(help="Everything of drains that ended more than so many years ago.")
    ] = None,
    as_of: Annotated[
        datetime | None, Parameter(help="With --older-than: the moment to count back from; unsaid, now.")
    ] = None,
    again: Annotated[
        bool, Parameter(negative="", help="Carry out the erasures on record once more, on every file.")
    ] = False,
    why: Annotated[str, Parameter(help="The reason, for the record; name nobody.")] = "",
    dry_run: Annotated[bool, Parameter(negative="", help="Say what would go and change nothing.")] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Take data out of everything, for good: no undo but a backup.

    A patient's, a drain's, a file's, or what is old; the record of it names nobody.
    """
    from flows.keeping.erase import run_erase, run_erase_again
    from flows.keeping.targets import target_of
    from flows.loading.request import request_for
    from flows.show.mended import show_erased, show_reread
    from flows.show.meter import Meter

    ledger = open_ledger(home)
    request = request_for(ledger)
    if again:
        with Meter() as progress:
            summary = run_erase_again(ledger, request, now(), progress)
        show_reread(summary, ledger, as_json=json_)
        return DONE
    target = target_of(ledger, patient, drain, site, file or [], older_than, as_of or now())
    with Meter() as progress:
        done = run_erase(ledger, target, why, request, now(), dry_run=dry_run, progress=progress)
    show_erased(done, as_json=json_)
    return DONE


@app.command(group=KEEP, help_epilogue=examples("backup --to /mnt/vault/ledger"))
def backup(
    *,
    to: Annotated[Path, Parameter(help="A new folder; as private as the home, for the secret is in it.")],
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Copy the whole home, secret included.

    With a list of every file's digest. No load runs meanwhile.
    """
    from flows.keeping.backup import run_backup
    from flows.show.mended import show_kept
    from flows.show.meter import Meter

    with Meter() as progress:
        kept = run_backup(open_ledger(home), to, now(), progress)
    show_kept(kept, restored=False, as_json=json_)
    return DONE


@app.command(group=KEEP, help_epilogue=examples("restore /mnt/vault/ledger --home ledger"))
def restore(folder: Path, /, *, home: HomeDir, json_: Json = False) -> int:
    """Bring a home back from a backup.

    --home names the new home, which must not be there yet, or be empty.

    Parameters
    ----------
    folder
        The folder that `backup` made.
    """
    from flows.keeping.backup import run_restore
    from flows.show.mended import show_kept
    from flows.show.meter import Meter

    with Meter() as progress:
        kept = run_restore(folder, open_home(home), now(), progress)
    show_kept(kept, restored=True, as_json=json_)
    return DONE

"""Profiles of sites: `profile suggest`."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from flows.app import TAKE_IN, HomeDir, Json, app, examples, open_home
from flows.exits import DONE, SOME_REJECTED
from schemas.errors import CallError, of_named_path

_OF_THE_WARD = {"registry": "a registry", "annotations": "a file of annotations"}
profile_app = App(
    name="profile", help="Draft how a site's layout is to be read: `profile suggest`.", group=TAKE_IN
)
app.command(profile_app)


@profile_app.command(
    help_epilogue=examples("profile suggest export.csv --timezone Europe/Zurich -o my_site.toml")
)
def suggest(
    file: Annotated[Path, Parameter(help="One export of the site.")],
    *,
    name: Annotated[
        str | None, Parameter(help="Name of the profile; unsaid: that of OUT, else draft.")
    ] = None,
    site: Annotated[str | None, Parameter(help="The site's name, where the file does not say it.")] = None,
    timezone: Annotated[str | None, Parameter(help="IANA zone of the device's wall clock.")] = None,
    out: Annotated[Path | None, Parameter(name=["--out", "-o"], help="File to write; must be new.")] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Draft a profile for a layout nobody has described, every doubt marked.

    Prints it, or writes it with -o; says so where a profile that is there already fits the file. Exit status
    1: something is left to be filled in.
    """
    from flows.loading.fitting import profiles_fitting
    from flows.loading.reading import kind_of
    from flows.loading.request import request_for
    from flows.show.plain import plain
    from flows.show.results import show_json
    from pipeline.ingest.suggest import suggest as propose

    if out is not None and out.exists():
        raise CallError(f"profile suggest: {out} is there already; name a new file with -o.")
    if out is not None and out.suffix != ".toml":
        raise CallError(f"profile suggest: a profile is a .toml file; write -o {out.stem}.toml.")
    if file.is_dir():
        raise CallError(f"profile suggest: {file} is a folder; name one of its files.")
    if out is not None and not out.parent.is_dir():
        raise CallError(f"profile suggest: {out.parent}: there is no such folder; make it first.")
    try:
        data = file.read_bytes()
    except OSError as error:
        said = f"profile suggest: {file}: cannot be read ({error.strerror}); check the path."
        raise of_named_path(error, said) from error
    if (kind := kind_of(data)) != "log":
        raise CallError(
            f"profile suggest: {file.name} is {_OF_THE_WARD[kind]} by its first line and needs no profile; "
            f"it is loaded as it is (drainledger load {shlex.quote(str(file))})."
        )
    called = name or ("draft" if out is None else re.sub("[^a-z0-9_-]", "_", out.stem.lower())[:40])
    made = propose(data, file.name, called, site=site, timezone=timezone)
    asked = request_for(open_home(home))
    fitting = profiles_fitting(data, file.name, asked.profiles, asked.definitions)
    for said in () if json_ else fitting.values():
        print(f"profile suggest: {plain(said)}", file=sys.stderr)
    status = SOME_REJECTED if made.to_fill else DONE
    if out is not None:
        out.write_text(made.text, encoding="utf-8")
    if json_:
        show_json(
            {
                "profile": made.text,
                "to_fill": list(made.to_fill),
                "doubts": list(made.doubts),
                "profiles_fitting": fitting,
                "unread_columns": list(made.unread),
            }
        )
        return status
    if out is None:
        print(made.text, end="")
        return status
    _say("To fill in", made.to_fill)
    _say("Doubtful", made.doubts)
    _say("Columns read by nobody", made.unread)
    then = "Fill in, and then" if made.to_fill else "Read it beside the site's own words, and then"
    print(f"{then}: drainledger check {shlex.quote(str(file))} --profile {shlex.quote(str(out))}")
    return status


def _say(what: str, lines: tuple[str, ...]) -> None:
    from flows.show.plain import plain

    if lines:
        print(f"{what}:")
        print("\n".join(f"  {plain(line)}" for line in lines))
    sys.stdout.flush()

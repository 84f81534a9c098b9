"""Call one command of `flows/commands/`: parse what a person typed, run it, and tell what nobody foresaw."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

from cyclopts import CycloptsError, Parameter
from cyclopts.exceptions import UnknownCommandError

from flows import commands
from flows.app import app
from flows.exits import DONE
from flows.faults import unforeseen
from schemas.errors import CallError, DrainledgerError, LedgerError


def call(arguments: list[str]) -> int:
    """
    Run one command and return its exit status.

    Raises
    ------
    CallError
        When no command can be called so.
    DrainledgerError, OSError
        As the command does; LedgerError for a fault that nobody foresaw.
    """
    commands.import_for(arguments)
    try:
        try:
            status = app.meta(arguments)
        except UnknownCommandError:  # again, so that the nearest of all commands is told
            commands.import_all()
            status = app.meta(arguments)
    except CycloptsError as error:
        raise CallError(str(error)) from error
    return status if isinstance(status, int) else DONE


@app.meta.default
def _everywhere(
    *tokens: Annotated[str, Parameter(show=False, allow_leading_hyphen=True)],
    home: Annotated[
        Path, Parameter(name="--home", env_var="DRAINLEDGER_HOME", help="Where everything is kept.")
    ] = Path("ledger"),
) -> Any:
    command: Callable[..., Any]
    command, bound, ignored = app.parse_args(tokens)
    extra = {"home": home} if "home" in ignored else {}
    try:
        return command(*bound.args, **bound.kwargs, **extra)
    except (DrainledgerError, CycloptsError):
        raise
    except Exception as error:
        from pipeline.store import Home

        if (said := Home(home).explained(error)) is not None:
            raise said from error
        if isinstance(error, OSError):
            raise
        raise LedgerError(unforeseen(error, command.__name__, home)) from error

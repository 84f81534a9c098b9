"""Run the command line: what a person typed, to one command of `flows/commands/`, to an exit status."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

from cyclopts import CycloptsError, Parameter

from flows import commands
from flows.app import DONE, FAILED, SOME_REJECTED, WRONG_CALL, app
from flows.show.plain import plain
from schemas.errors import CallError, DrainledgerError, LedgerError

__all__ = ["DONE", "FAILED", "SOME_REJECTED", "WRONG_CALL", "app", "commands", "main", "run"]

_INTERRUPTED = 130


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exit status 0: done, 1: some input rejected, 2: wrong call, 3: failed."""
    sys.exit(run(sys.argv[1:] if arguments is None else arguments))


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit status."""
    os.umask(0o077)  # what a load writes is its owner's alone
    try:
        status = app.meta(arguments)
        sys.stdout.flush()
    except (CycloptsError, CallError) as error:
        return _say(error, WRONG_CALL)
    except DrainledgerError as error:
        return _say(error, FAILED)
    except KeyboardInterrupt:
        return _say(
            "stopped; readers still see the ledger as it was before; load again to go on", _INTERRUPTED
        )
    except BrokenPipeError:  # the reader of our output has gone, as in `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        return _say(f"{error.strerror or error}{place}; mend that and run the command again.", FAILED)
    return status if isinstance(status, int) else DONE


def _say(message: object, status: int) -> int:
    print(f"drainledger: {plain(' '.join(str(message).split()))}", file=sys.stderr)
    return status


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
        raise LedgerError(_unforeseen(error, home)) from error


def _unforeseen(error: Exception, home: Path) -> str:
    """One sentence for a fault nobody foresaw; the whole of it goes where values may stand."""
    said = str(error).strip().splitlines()
    what = f"{type(error).__name__}: {said[0][:200]}" if said else type(error).__name__
    private = home / "private"
    if not private.is_dir():
        return f"something failed that should not ({what}); please report it."
    details = private / "last-fault.txt"
    details.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
    return (
        f"something failed that should not ({what}); the details are in {details}. "
        "If it comes again, `drainledger rebuild` makes everything anew from the raw files."
    )


if __name__ == "__main__":
    main()

"""The door of the command line: what a person typed, to an exit status and one sentence where it is not 0."""

from __future__ import annotations

import os
import sys

from flows.exits import DONE, FAILED, INTERRUPTED, SOME_REJECTED, WRONG_CALL
from flows.front_page import asks_for_it, front_page
from flows.show.plain import plain
from schemas.errors import CallError, DrainledgerError, Slips

__all__ = ["DONE", "FAILED", "SOME_REJECTED", "WRONG_CALL", "main", "run"]


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exit status 0: done, 1: some input rejected, 2: wrong call, 3: failed."""
    sys.exit(run(sys.argv[1:] if arguments is None else arguments))


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit status."""
    os.umask(0o077)  # what a load writes is its owner's alone
    try:
        status = _answer(arguments)
        sys.stdout.flush()
    except CallError as error:
        return _say(error, WRONG_CALL)
    except DrainledgerError as error:
        return _say(error, FAILED)
    except KeyboardInterrupt:
        return _say(
            "stopped; readers still see the ledger as it was before; load again to go on", INTERRUPTED
        )
    except BrokenPipeError:  # the reader of our output has gone, as in `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        return _say(f"{error.strerror or error}{place}; mend that and run the command again.", FAILED)
    return status


def _answer(arguments: list[str]) -> int:
    if asks_for_it(arguments):
        print(front_page(), end="")
        return DONE
    from flows.calling import call  # here: the parser takes longer to import than the front page to read

    return call(arguments)


def _say(message: object, status: int) -> int:
    for told in message.told if isinstance(message, Slips) else (message,):
        print(f"drainledger: {plain(' '.join(str(told).split()))}", file=sys.stderr)
    return status


if __name__ == "__main__":
    main()

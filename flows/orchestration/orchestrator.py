"""Where Prefect keeps its records, and that it talks to nobody else: set before any of it is imported."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

# Prefect would send figures of its use to its makers.
_PROFILES = Path("~/.prefect/profiles.toml")  # where a person may have chosen a server
_SILENT = {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}


def prepare(home: Path, *, quiet: bool = True) -> None:
    """
    Set Prefect up for this process and those it starts.

    Where nobody has said which server to use, one is started for the while with its records in the home's
    private store. Nothing is ever sent to Prefect's makers.

    Parameters
    ----------
    quiet
        Whether nothing is printed: who called says how it went, and the server is told all the same.
    """
    os.environ |= _SILENT
    if not api_address():
        if "PREFECT_HOME" not in os.environ and not _PROFILES.expanduser().exists():
            os.environ["PREFECT_HOME"] = str((home / "private" / "prefect").absolute())
        os.environ["PREFECT_SERVER_ALLOW_EPHEMERAL_MODE"] = "true"
        os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "120")
        os.environ.setdefault("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")
    if quiet:
        os.environ.setdefault("PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL", "CRITICAL")
        os.environ.setdefault("PREFECT_LOGGING_ROOT_LEVEL", "WARNING")


def api_address() -> str | None:
    """Address of the Prefect server somebody chose, by the environment; null where none was."""
    return os.environ.get("PREFECT_API_URL") or None


def reachable() -> bool:
    """Whether a Prefect server answers; starts one where none was chosen."""
    from prefect.client.orchestration import get_client

    try:
        with get_client(sync_client=True) as client:
            return client.api_healthcheck() is None
    except Exception:  # whatever a server that is not there can do: a night does not hang on it
        return False


def nameless(step: Callable[..., object]) -> Callable[..., object]:
    """
    The step, with faults that hold no names: Prefect keeps what a task or a flow raises.

    A fault of the operating system keeps its number, by which it is told whether to try again; of anything
    else only the class is left. The fault itself is kept as `behind`, for whoever called in this process.
    """

    def call(*arguments: object, **options: object) -> object:
        try:
            return step(*arguments, **options)
        except Exception as error:
            faceless = _faceless(error)
        raise faceless

    call.__name__ = getattr(step, "__name__", "step")
    call.__doc__ = step.__doc__
    return call


class Fault(Exception):
    """Something failed, told without a name."""

    behind: BaseException | None = None


class DriveFault(OSError):
    """A drive or a network failed, told without a name."""

    behind: BaseException | None = None


def behind(error: BaseException) -> BaseException:
    """What really happened."""
    while isinstance(error, Fault | DriveFault) and error.behind is not None:
        error = error.behind
    return error


def _faceless(error: Exception) -> Fault | DriveFault:
    if isinstance(error, Fault | DriveFault):
        return error
    faceless: Fault | DriveFault
    if isinstance(error, OSError) and error.errno is not None:
        faceless = DriveFault(error.errno, os.strerror(error.errno))
    elif type(error) is OSError:
        faceless = DriveFault("a drive or a network failed")
    else:
        faceless = Fault(type(error).__name__)
    faceless.behind = error
    return faceless

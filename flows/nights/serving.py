"""
Keep the night scheduled: a Prefect deployment of one home, served from this process until it is stopped.

A schedule needs a Prefect server that stays. Where `PREFECT_API_URL` names one it is used; else one is
started here, listening on this machine alone, behind a password that lies in the home's private store, and
ended with us.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, cast

from flows.exits import DONE
from flows.nights.landing import standing
from flows.nights.logs import log_of
from flows.nights.night_settings import ENVIRONMENT, NightSettings
from flows.nights.nightly import landing_of
from flows.nights.schedule import SERVED, served_now
from flows.nights.tied import tied_command
from flows.orchestration.orchestrator import api_address, prepare
from pipeline.store import Home
from pipeline.store.durable import write_whole
from schemas.errors import LedgerError

if TYPE_CHECKING:
    from prefect.deployments.runner import RunnerDeployment

_PORT = 4200  # of the server started here, where it is free
_START_SECONDS = 120


def serve_nights(home: Home, settings: NightSettings, said: Mapping[str, Any]) -> int:
    """
    Serve the nightly run of a home until stopped by a signal, SIGTERM or SIGINT, at whatever moment.

    One run at a time: the deployment takes no second one while one runs, and the home's own lock keeps out
    whatever was started otherwise. A night that finds it taken is not queued; the next takes all.

    Parameters
    ----------
    said
        What the command line said; handed on to the runs, which are processes of their own.

    Raises
    ------
    CallError
        When no landing folder is named.
    InputError
        When the folder is not there: each night would fail, and nobody watches them.
    LedgerError
        When no Prefect server answers, or this home is served already.
    """
    standing(landing_of(settings, home))
    with _stopped_by_signals():
        try:
            return _serve(home, settings, said)
        except KeyboardInterrupt:
            print("serve: stopped before the schedule was kept", file=sys.stderr, flush=True)
            return DONE


def _serve(home: Home, settings: NightSettings, said: Mapping[str, Any]) -> int:
    home.create()
    _ensure_alone(home)
    prepare(home.root, quiet=False)
    os.environ |= _handed_on(home, said)
    log = log_of(home.root, "serve")
    with _server(home):
        from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
        from prefect.runner import Runner
        from prefect.schedules import Cron
        from prefect.types.entrypoint import EntrypointType

        from flows.orchestration.prefect_nightly import nightly

        name = settings.name or deployment_name(home)
        deployment = nightly.to_deployment(
            name=name,
            schedule=Cron(settings.cron, timezone=settings.timezone),
            concurrency_limit=ConcurrencyLimitConfig(
                limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW
            ),
            tags=["drainledger"],
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
        runner = Runner(name=name, limit=1)
        try:
            runner.add_deployment(cast("RunnerDeployment", deployment))  # called where no loop runs
        except Exception as error:  # many classes, all of them: it does not answer, or says no
            raise LedgerError(
                f"serve: the Prefect server at {api_address()} does not take the schedule "
                f"({type(error).__name__}); check PREFECT_API_URL and that the server runs."
            ) from error
        _note_served(home, settings, name)
        log.say("served", cron=settings.cron, zone=settings.timezone)
        print(
            f"Serving nightly/{name}: {settings.cron} ({settings.timezone}). Runs are shown at "
            f"{(api_address() or '').removesuffix('/api')}. Stop with Ctrl-C.",
            flush=True,
        )
        try:
            asyncio.run(runner.start())
        except KeyboardInterrupt:
            pass
        finally:
            (home.private / SERVED).unlink(missing_ok=True)
            log.say("serving_ended")
    return DONE


def deployment_name(home: Home) -> str:
    """A name for the deployment of a home that tells it from others on one server and holds no path."""
    return "home-" + hashlib.sha256(os.fsencode(home.root.resolve())).hexdigest()[:8]


def _ensure_alone(home: Home) -> None:
    served = served_now(home.private)
    if served is not None and served["process"] != os.getpid():
        raise LedgerError(
            f"home {home.root}: its nights are served already (process {served['process']}); "
            "stop that one first."
        )


def _note_served(home: Home, settings: NightSettings, name: str) -> None:
    served = {
        "process": os.getpid(),
        "cron": settings.cron,
        "timezone": settings.timezone,
        "deployment": f"nightly/{name}",
        "server": api_address(),
    }
    write_whole(home.private / SERVED, json.dumps(served).encode())


def _handed_on(home: Home, said: Mapping[str, Any]) -> dict[str, str]:
    """What the runs, started by Prefect in processes of their own, find in their environment."""
    given = {key: value for key, value in said.items() if value is not None}
    if str(given.get("profile", "")).endswith(".toml"):  # a file; else a name
        given["profile"] = Path(given["profile"])
    told = {
        ENVIRONMENT + key.upper(): str(value.absolute() if isinstance(value, Path) else value)
        for key, value in given.items()
    }
    return told | {"DRAINLEDGER_HOME": str(home.root.absolute())}


@contextmanager
def _stopped_by_signals() -> Iterator[None]:
    """
    SIGTERM and SIGINT raise KeyboardInterrupt within, so that what was started is ended on the way out.

    SIGINT too, for a shell has commands in its background ignore it.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # signals go to the main thread alone
        return

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {
        signal.SIGTERM: signal.signal(signal.SIGTERM, stop),
        signal.SIGINT: signal.signal(signal.SIGINT, signal.default_int_handler),  # asyncio knows this one
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _end(server: subprocess.Popen[bytes]) -> None:
    """End the server and what it started; a second signal to us does not come between."""
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
    _signal_group(server, signal.SIGTERM)
    try:
        server.wait(20)
    except subprocess.TimeoutExpired:
        _signal_group(server, signal.SIGKILL)


def _signal_group(server: subprocess.Popen[bytes], number: signal.Signals) -> None:
    if server.poll() is None:
        with suppress(ProcessLookupError):
            os.killpg(server.pid, number)


@contextmanager
def _server(home: Home) -> Iterator[None]:
    """A Prefect server that stays as long as we do, unless one is named."""
    if api_address():
        yield
        return
    folder = Path(os.environ.get("PREFECT_HOME", home.private / "prefect"))
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    password = "drainledger:" + secrets.token_urlsafe(24)
    write_whole(home.private / "prefect-password", password.encode())
    port = _free_port()
    environment = os.environ | {
        "PREFECT_SERVER_API_AUTH_STRING": password,
        "PREFECT_SERVER_UI_API_URL": f"http://127.0.0.1:{port}/api",  # else its pages ask port 4200
        "PREFECT_SERVER_LOGGING_LEVEL": "ERROR",
        "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
        "PREFECT_SERVER_UI_STATIC_DIRECTORY": str(folder / "ui"),
    }
    # The output of the server is of no use to whoever reads ours; its faults are in its own records.
    server = subprocess.Popen(  # noqa: S603
        tied_command("prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)),
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    os.environ["PREFECT_API_URL"] = f"http://127.0.0.1:{port}/api"
    os.environ["PREFECT_API_AUTH_STRING"] = password
    try:
        _wait_for(port, server)
        yield
    finally:
        _end(server)


def _free_port() -> int:
    for port in (_PORT, 0):
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise LedgerError("serve: no free port on this machine for a Prefect server.")


def _wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    import urllib.request

    until = time.monotonic() + _START_SECONDS
    while time.monotonic() < until and server.poll() is None:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/health", timeout=2):
                return
        except OSError:
            time.sleep(0.3)
    raise LedgerError(
        "serve: the Prefect server that was to be started here does not answer; run "
        "`prefect server start` to see why, or name another with PREFECT_API_URL."
    )

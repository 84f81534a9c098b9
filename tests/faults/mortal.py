"""
Processes that may die: a parent that has everything imported forks a child for each piece of work.

Run as `python -m tests.faults.mortal`; reads one JSON object a line, forks, answers one JSON object a line. The
parent itself never computes anything, so that a child starts within milliseconds and from a clean slate.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import resource
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
# Something done to a home with files: nothing comes of it, or an exit status and what was said.
Work = Callable[[Any, list[Path]], tuple[int, str] | None]
KILLED = -signal.SIGKILL
LIMITS = (80, 700, 4_000, 12_000, 1_000_000)  # bytes beyond which no file can grow
HANGS = 3600.0  # seconds after which a child that waits for nothing is given up, however busy the machine
MOST_CPU = 180  # seconds of computing after which one that was to live is given up


@dataclass(frozen=True)
class Death:
    """
    When a child dies: after the n-th time one named moment (or, unnamed, any) passed, or after so many seconds.

    Not at all where neither is said.
    """

    moment: str | None = None
    nth: int = 0
    seconds: float | None = None


@dataclass(frozen=True)
class End:
    """How a child ended: its exit status (`KILLED`: as told), how many moments passed, what it said."""

    status: int
    moments: int
    seconds: float
    peak_mb: float
    said: str

    @property
    def killed(self) -> bool:
        """Whether it died on the way, or got through before its time."""
        return self.status == KILLED and self.said != "HUNG"


class Mortals:
    """The parent of processes that may die, as a context; `run` is one life."""

    def __enter__(self) -> Mortals:
        environment = os.environ | {
            "PYTHONPATH": str(ROOT),
            "POLARS_MAX_THREADS": "1",
            "OMP_NUM_THREADS": "1",
        }
        self.parent = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.mortal"],
            env=environment,
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        return self

    def run(self, work: str, home: Path, paths: Sequence[Path] = (), death: Death | None = None) -> End:
        """Do one piece of work of `WORKS` on a home, and die on the way where that is asked for."""
        asked = {"work": work, "home": str(home), "paths": [str(p) for p in paths]}
        assert self.parent.stdin is not None
        assert self.parent.stdout is not None
        self.parent.stdin.write(json.dumps(asked | (death or Death()).__dict__) + "\n")
        self.parent.stdin.flush()
        return End(**json.loads(self.parent.stdout.readline()))

    def __exit__(self, *error: object) -> None:
        assert self.parent.stdin is not None
        self.parent.stdin.close()
        self.parent.wait()


def _serve() -> None:
    works = _works()
    for line in sys.stdin:
        asked = json.loads(line)
        began = time.monotonic()
        heard, tell = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(heard)
            status = _live(works[asked["work"]], asked, tell)
            os._exit(status)
        os.close(tell)
        said = _listen(heard, child, asked["seconds"])
        _, code, used = os.wait4(child, 0)
        lines = said.splitlines()
        answer = {
            "status": os.waitstatus_to_exitcode(code),
            "moments": sum(line == "." for line in lines),
            "seconds": time.monotonic() - began,
            "peak_mb": used.ru_maxrss / 1024,
            "said": "\n".join(line for line in lines if line != "."),
        }
        print(json.dumps(answer), flush=True)


def _listen(heard: int, child: int, seconds: float | None) -> str:
    """Everything a child says until it ends or its time is up."""
    began = time.monotonic()
    said, ends_at = b"", began + (HANGS if seconds is None else seconds)
    while True:
        if not select.select([heard], [], [], max(ends_at - time.monotonic(), 0))[0]:
            os.kill(child, signal.SIGKILL)
            said += b"" if seconds is not None else b"HUNG\n"
            ends_at = began + HANGS
            seconds = 0.0
            continue
        part = os.read(heard, 1 << 16)
        if not part:
            os.close(heard)
            return said.decode()
        said += part


def _live(work: Work, asked: dict[str, Any], tell: int) -> int:
    from pipeline.store import Home, moments
    from schemas.errors import DrainledgerError

    seen = 0
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU, MOST_CPU))

    def deadly(moment: Any) -> None:
        nonlocal seen
        os.write(tell, b".\n")
        if asked["moment"] is None or asked["moment"] == moment.name:
            seen += 1
            if seen == asked["nth"]:
                os.kill(os.getpid(), signal.SIGKILL)

    moments.passed = deadly  # type: ignore[assignment]
    try:
        said = work(Home(Path(asked["home"])), [Path(path) for path in asked["paths"]])
        if said is not None:
            os.write(tell, said[1].encode())
            return said[0]
    except DrainledgerError as error:
        os.write(tell, f"{type(error).__name__}: {error}\n".encode())
        return 3
    except BaseException:
        import traceback

        os.write(tell, traceback.format_exc().encode())
        return 70
    return 0


def _works() -> dict[str, Work]:
    # Everything a child needs is imported before it is born.
    import deltalake  # noqa: F401
    import structlog  # noqa: F401

    import flows.calling  # noqa: F401
    import tests.faults.remains  # noqa: F401
    from flows.cli import run
    from flows.commands import import_all
    from flows.keeping.upkeep import maintain
    from flows.keeping.withdraw import run_withdraw
    from flows.loading.load import run_rebuild
    from flows.loading.request import request_for
    from pipeline.definitions import load_definitions
    from pipeline.provenance import code_digest
    from schemas.derivation import MADE
    from schemas.errors import CallError
    from tests.support.homes import NOW, load

    import_all()
    # Plain Python that every child needs. Nothing here may wake Polars: its threads do not survive a fork.
    code_digest()  # once for all lives: somebody may be editing
    # Nobody reads an earlier database here, and a log is trimmed from the first entry on.
    at_once = load_definitions().upkeep.model_copy(update={"reader_hours": 0, "log_entries": 0})

    def publish(home: Any, _: list[Path]) -> None:
        home.lake.remove(MADE, "owner", [f"database|{home.database.name}"])
        load(home, [])

    def withdraw(home: Any, paths: list[Path]) -> None:
        digests = [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]
        try:
            run_withdraw(home, digests, "wrong ward", request_for(home), NOW)
        except CallError:  # the life before got so far that it is withdrawn: the rest is any load's to do
            load(home, [])

    def typed(home: Any, paths: list[Path]) -> tuple[int, str]:
        heard = io.StringIO()
        with contextlib.redirect_stderr(heard), contextlib.redirect_stdout(io.StringIO()):
            status = run(["load", *map(str, paths), "--home", str(home.root)])
        return status, heard.getvalue()

    def limited(limit: int) -> Work:
        def work(home: Any, paths: list[Path]) -> tuple[int, str]:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            return typed(home, paths)

        return work

    return {
        **{f"typed load, no file beyond {limit}": limited(limit) for limit in LIMITS},
        "typed load": typed,
        "load": lambda home, paths: load(home, paths) and None,
        "withdraw": withdraw,
        "publish": publish,
        "rebuild": lambda home, _: run_rebuild(home, request_for(home), NOW) and None,
        "maintain": lambda home, _: maintain(home, rules=at_once) and None,
    }


if __name__ == "__main__":
    _serve()

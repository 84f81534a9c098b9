"""
The load as a Prefect flow: the same stages, each a task with retries on I/O, and an artifact of what came.

Used where a Prefect API is configured (`PREFECT_API_URL`) or a schedule runs it; without one, Prefect
starts a temporary server by itself.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import flow, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun
from prefect.tasks import Task
from pydantic import SecretStr

from flows.derive import compute_devices, compute_drains
from flows.intake import take_in
from flows.load import Stages, Summary, run_load
from flows.publishing import publish_ledger
from flows.request import request_for
from flows.survey import find_files
from pipeline.store import Home
from schemas.errors import CallError

_RETRY_DELAYS = [2.0, 10.0, 60.0]  # seconds: a network drive that hiccups, then one that restarts


def is_passing_fault(task: Task[..., Any], run: TaskRun, state: State[Any]) -> bool:
    """Only I/O is tried again; bad data or a full disk stay what they are."""
    try:
        state.result()
    except OSError as error:
        return error.errno not in {errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EPERM, errno.EDQUOT}
    except Exception:
        return False
    return False


def _as_task(name: str, stage: Callable[..., Any]) -> Callable[..., Any]:
    return task(
        name=name,
        retries=len(_RETRY_DELAYS),
        retry_delay_seconds=_RETRY_DELAYS,
        retry_condition_fn=is_passing_fault,
        cache_policy=NO_CACHE,
        persist_result=False,
        log_prints=False,
    )(stage)


TASKS = Stages(
    take_in=_as_task("take in files", take_in),
    compute_devices=_as_task("compute devices", compute_devices),
    compute_drains=_as_task("summarise drains", compute_drains),
    publish=_as_task("publish", publish_ledger),
)


@flow(name="load", persist_result=False)
def load(home: Path, paths: list[SecretStr], profile: str | None = None, site: str | None = None) -> Summary:
    """
    Take files into a ledger and publish, each stage a task; sum up in an artifact.

    `paths` are secrets because file names can hold patients' names and Prefect records parameters; the
    artifact names no file, device or patient.
    """
    ledger = Home(home)
    files = [Path(path.get_secret_value()) for path in paths]
    if not all(path.exists() for path in files):
        # Nameless: Prefect keeps what a flow raises.
        raise CallError("load: a path that was given is not there; check the paths.")
    request = request_for(ledger, profile, site)
    summary = run_load(ledger, files, request, datetime.now(UTC), stages=TASKS)
    rows = "\n".join(f"| {what} | {count} |" for what, count in _counts(summary).items())
    create_markdown_artifact(
        f"| what | count |\n|---|---|\n{rows}\n", key="load-summary", description="What the load did"
    )
    return summary


def load_under_prefect(
    home: Home, paths: Sequence[Path], profile: str | None = None, site: str | None = None
) -> Summary:
    """
    Run one load as a Prefect flow and hand back what `run_load` would.

    Raises
    ------
    CallError
        When a path is not there; said before the flow begins, so that its name stays with the caller.
    """
    find_files(paths)
    return load(home.root, [SecretStr(str(path)) for path in paths], profile, site)


def _counts(summary: Summary) -> dict[str, int]:
    return {
        "new files": len(summary.new),
        "known files": len(summary.outcomes) - len(summary.new),
        "rejected files": sum(o.status == "rejected" for o in summary.new),
        "rows kept": sum(o.rows_kept for o in summary.new),
        "rows rejected": sum(o.rows_rejected for o in summary.new),
        "devices computed": summary.devices,
        "drains summarised": summary.drains,
    }

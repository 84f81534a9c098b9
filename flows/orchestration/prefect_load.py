"""
The load as a Prefect flow: the same stages, each a task with retries on I/O, and an artifact of what came.

Used where a Prefect API is configured (`PREFECT_API_URL`); a schedule runs `prefect_nightly` beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path

from prefect import flow
from prefect.artifacts import create_markdown_artifact
from pydantic import SecretStr

from flows.loading.load import Progress, Summary, run_load, silent
from flows.loading.request import request_for
from flows.loading.survey import find_files
from flows.nights.runs import counts_of
from flows.orchestration.orchestrator import behind, nameless
from flows.orchestration.prefect_dask import check_scheduler, scheduler_address, spread
from flows.orchestration.prefect_tasks import load_tasks
from pipeline.store import Home
from schemas.errors import CallError

_SAID = {
    "new": "new files",
    "known": "known files",
    "rejected": "rejected files",
    "unread": "files that could not be read",
    "rows_kept": "rows kept",
    "rows_rejected": "rows rejected",
    "cells_rejected": "cells made null",
    "devices": "devices computed",
    "drains": "drains summarised",
}

_watching: ContextVar[Progress] = ContextVar("watching", default=silent)


@flow(name="load", persist_result=False)
def load(
    home: SecretStr, paths: list[SecretStr], profile: SecretStr | None = None, site: str | None = None
) -> Summary:
    """
    Take files into a ledger and publish, each stage a task; sum up in an artifact.

    Paths are secrets because folders and files can be named after patients and Prefect records parameters;
    the artifact names no file, device or patient, and nor does what the flow raises.
    """
    summary: Summary = nameless(_load)(home, paths, profile, site)  # type: ignore[assignment]
    create_markdown_artifact(
        count_table(counts_of(summary)), key="load-summary", description="What the load did"
    )
    return summary


def _load(
    home: SecretStr, paths: list[SecretStr], profile: SecretStr | None = None, site: str | None = None
) -> Summary:
    ledger = Home(Path(home.get_secret_value()))
    files = [Path(path.get_secret_value()) for path in paths]
    if not all(path.exists() for path in files):
        raise CallError("load: a path that was given is not there; check the paths.")
    request = request_for(ledger, profile.get_secret_value() if profile else None, site)
    with spread(load_tasks(), scheduler_address()) as stages:
        return run_load(ledger, files, request, datetime.now(UTC), progress=_watching.get(), stages=stages)


def load_under_prefect(
    home: Home,
    paths: Sequence[Path],
    profile: str | None = None,
    site: str | None = None,
    *,
    progress: Progress = silent,
) -> Summary:
    """
    Run one load as a Prefect flow and hand back what `run_load` would.

    Raises
    ------
    CallError
        When a path is not there, or workers are asked for and something they need is not said or installed;
        told before the flow begins, so that no name leaves the caller.
    """
    find_files(paths)
    check_scheduler(scheduler_address())
    named = None if profile is None else SecretStr(profile)
    token = _watching.set(progress)
    try:
        return load(SecretStr(str(home.root)), [SecretStr(str(path)) for path in paths], named, site)
    except Exception as error:
        raise behind(error) from None
    finally:
        _watching.reset(token)


def count_table(counts: dict[str, int]) -> str:
    """Counts as a Markdown table."""
    rows = "\n".join(f"| {said} | {counts[what]} |" for what, said in _SAID.items() if what in counts)
    return f"| what | count |\n|---|---|\n{rows}\n"

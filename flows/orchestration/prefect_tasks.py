"""Steps of a load or a night as Prefect tasks: tried again after a passing fault, stopped when too long."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from prefect import task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun
from prefect.tasks import Task

from flows.loading.derive import compute_devices, compute_drains
from flows.loading.intake import finish_interrupted, take_in
from flows.loading.load import Stages
from flows.loading.outcome import Outcome
from flows.loading.publishing import publish_ledger
from flows.loading.request import Request
from flows.nights.logs import Log
from flows.nights.runs import faceless
from flows.orchestration.orchestrator import behind, nameless
from flows.orchestration.passing import is_passing
from pipeline.store import Home

RETRY_SECONDS: tuple[float, ...] = (2.0, 10.0, 60.0)  # a network drive that hiccups, then one that restarts
TIMEOUT_SECONDS = 4 * 3600.0


def as_task(
    name: str,
    step: Callable[..., Any],
    retry_seconds: Sequence[float] = RETRY_SECONDS,
    timeout_seconds: float = TIMEOUT_SECONDS,
    log: Log | None = None,
) -> Callable[..., Any]:
    """
    A step as a task: named faults stay here, passing faults are tried again, and no result is kept.

    A step that is stopped for taking too long is not tried again: what it left half-done is finished or
    undone by the next load, as after a kill.
    """
    tried = 0

    def try_again(task: Task[..., Any], run: TaskRun, state: State[Any]) -> bool:
        nonlocal tried
        tried += 1
        try:
            state.result()
        except Exception as error:
            again = is_passing(error)
            if again and log is not None and tried <= len(retry_seconds):
                log.say(
                    "retried",
                    level="warning",
                    step=step.__name__,
                    attempt=tried,
                    wait_seconds=retry_seconds[tried - 1],
                    error=faceless(behind(error)),
                )
            return again
        return False

    return task(
        name=name,
        retries=len(retry_seconds),
        retry_delay_seconds=list(retry_seconds),
        retry_condition_fn=try_again,
        timeout_seconds=timeout_seconds,
        cache_policy=NO_CACHE,
        persist_result=False,
        log_prints=False,
    )(nameless(step))


def load_tasks(
    retry_seconds: Sequence[float] = RETRY_SECONDS,
    timeout_seconds: float = TIMEOUT_SECONDS,
    log: Log | None = None,
) -> Stages:
    """The stages of a load, each a task."""

    def made(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        return as_task(name, step, retry_seconds, timeout_seconds, log)

    return Stages(
        take_in=made("take in files", take_in_once),
        compute_devices=made("compute devices", compute_devices),
        compute_drains=made("summarise drains", compute_drains),
        publish=made("publish", publish_ledger),
    )


def take_in_once(home: Home, files: Sequence[Path], request: Request, now: datetime) -> list[Outcome]:
    """
    Take a batch in, also after a try that failed half-way: what that left half-written is finished first.

    Without this a second try would add the rows again that the first had written already.
    """
    finished = {outcome.digest: outcome for outcome in finish_interrupted(home, request, now)}
    outcomes = take_in(home, files, request, now)
    return [finished.pop(o.digest, o) if o.known else o for o in outcomes]

"""
The night as a Prefect flow: a task a step, and an artifact that says what came and what was rejected and why.

The flow has no parameters, for Prefect keeps them and a path can hold a name: a run started by a schedule
finds its home in `DRAINLEDGER_HOME`, and the rest in that home's `nightly.toml` and in the environment.
"""

from __future__ import annotations

import os
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from prefect import flow
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.client.schemas.objects import State
from prefect.states import Completed

from flows.exits import SOME_REJECTED
from flows.loading.findings import DOES_NOT_ADD_UP
from flows.nights.asked import settings_of
from flows.nights.landing import REASONS
from flows.nights.logs import DIGEST_SIGNS, log_of
from flows.nights.night import Night
from flows.nights.night_settings import NightSettings
from flows.nights.nightly import Steps, run_night
from flows.orchestration.orchestrator import behind, nameless
from flows.orchestration.passing import patiently
from flows.orchestration.prefect_dask import spread
from flows.orchestration.prefect_load import count_table
from flows.orchestration.prefect_tasks import as_task, load_tasks
from pipeline.store import Home

SUMMARY, FILES = "nightly-summary", "nightly-files"  # keys of the artifacts

_asked: ContextVar[tuple[Home, NightSettings] | None] = ContextVar("asked", default=None)
_MOST_FILES = 500  # rows of the artifact's table


@flow(name="nightly", persist_result=False, validate_parameters=False)
def nightly() -> State[Night]:
    """One scheduled run of a ledger: landing folder, load, report, summary."""
    night = cast(Night, nameless(_night)())
    create_markdown_artifact(summary_of(night), key=SUMMARY, description=night.line())
    if rows := file_rows(night):
        create_table_artifact(rows, key=FILES, description="Files of this night, by digest")
    said = "Done, some input rejected" if night.exit == SOME_REJECTED else "Done"
    return Completed(name=said, message=night.line(), data=night)


def night_under_prefect(home: Home, settings: NightSettings) -> Night:
    """
    Run one night as a Prefect flow and hand back what `run_night` would.

    Raises
    ------
    DrainledgerError, OSError
        What the night raised, as it was; Prefect is told its class only.
    """
    token = _asked.set((home, settings))
    try:
        state = nightly(return_state=True)
        return cast(Night, state.result())
    except Exception as error:
        raise behind(error) from None
    finally:
        _asked.reset(token)


def _night() -> Night:
    home, settings = _asked.get() or _surroundings()
    retry, stop = settings.retry_seconds, settings.timeout_minutes * 60
    log = log_of(home.root, "nightly")
    plain = Steps()
    with spread(load_tasks(retry, stop, log), settings.dask, retry, stop) as stages:
        steps = Steps(
            as_task("look into the landing folder", plain.look, retry, stop, log),
            stages,
            as_task("write the report", plain.report, retry, stop, log),
            as_task("clear the landing folder", plain.clear, retry, stop, log),
        )
        return patiently(lambda: run_night(home, settings, datetime.now(UTC), steps=steps), retry, log)


def _surroundings() -> tuple[Home, NightSettings]:
    """Home and settings of a run that a schedule began."""
    home = Home(Path(os.environ.get("DRAINLEDGER_HOME", "ledger")))
    return home, settings_of(home)


def summary_of(night: Night) -> str:
    """The night as Markdown: counts, what was rejected by which rule, what was left and why, durations."""
    parts = [f"**{night.line()}**", count_table(night.counts)]
    if night.rules:
        rows = "\n".join(f"| {rule} | {count} |" for rule, count in night.rules.items())
        parts.append(f"Rejected, by rule\n\n| rule | times |\n|---|---|\n{rows}\n")
    if night.summary.findings:
        rows = "\n".join(f"| {finding} | {count} |" for finding, count in night.summary.findings)
        parts.append(f"{DOES_NOT_ADD_UP}\n\n| finding | times |\n|---|---|\n{rows}\n")
    if night.look.left:
        rows = "\n".join(
            f"| {REASONS.get(why, f'could not be read: {why}')} | {count} |"
            for why, count in night.look.reasons.items()
        )
        parts.append(f"Left in the landing folder\n\n| a file that | files |\n|---|---|\n{rows}\n")
    rows = "\n".join(f"| {step.replace('_', ' ')} | {took:.1f} |" for step, took in night.seconds.items())
    parts.append(f"Durations\n\n| step | seconds |\n|---|---|\n{rows}\n")
    parts.append("`drainledger status` and `drainledger rejected` say which files these are.")
    return "\n\n".join(parts)


def file_rows(night: Night) -> list[dict[str, object]]:
    """This night's files by the first digits of their digests, with what became of them; no names."""
    return [
        {
            "file": outcome.digest[:DIGEST_SIGNS],
            "became": str(outcome.status),
            "rows kept": outcome.rows_kept,
            "rows rejected": outcome.rows_rejected,
            "cells made null": outcome.cells_rejected,
        }
        for outcome in night.summary.new
        if outcome.digest
    ][:_MOST_FILES]

"""One night as it was asked for: as a Prefect flow, or plainly."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from flows.nights.logs import log_of
from flows.nights.night import Night
from flows.nights.night_settings import NightSettings, night_settings
from flows.nights.nightly import landing_of, run_night
from flows.nights.runs import recorded
from flows.orchestration.orchestrator import prepare, reachable
from flows.orchestration.passing import patiently
from pipeline.store import Home
from schemas.errors import InputError


def one_night(home: Home, settings: NightSettings, now: datetime) -> Night:
    """
    Run one night; without a Prefect server that answers it goes on without Prefect, and says so in the log.

    Raises
    ------
    CallError, InputError, LedgerError
        As `run_night`.
    """
    landing_of(settings, home)
    if settings.dask is not None:
        from flows.orchestration.prefect_dask import check_scheduler

        check_scheduler(settings.dask)
    log = log_of(home.root, "nightly")

    def plainly() -> Night:
        return patiently(lambda: run_night(home, settings, now), settings.retry_seconds, log)

    if not settings.prefect:
        return plainly()
    home.create()
    prepare(home.root)
    if not reachable():
        log.say("orchestrator_missing", level="warning")
        return plainly()
    from flows.orchestration.prefect_nightly import night_under_prefect

    return night_under_prefect(home, settings)


def settings_of(home: Home, said: Mapping[str, Any] | None = None) -> NightSettings:
    """
    The settings of a night that is about to run; a mistake in `nightly.toml` is a failed night on record.

    Raises
    ------
    CallError, InputError
        As `night_settings`.
    """
    try:
        return night_settings(home.root, said)
    except InputError:
        if not home.exists():
            home.create()
        with recorded(home, "nightly"):
            raise

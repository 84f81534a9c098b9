"""The load as a Prefect flow, run embedded: same ledger, an artifact, no file name in Prefect's records."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.store import Home
from schemas.errors import CallError
from tests.support.homes import differences, load, make_home, published

LOG = """# drain-log: 1
# site: lakeside
# device: DV-0042
# exported_at: 2031-03-14T06:00:00+01:00
# timezone: Europe/Zurich
record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,canister_volume,tilt,battery,mains,alerts
1,2031-03-10T14:00,17,run,-20,-19.8,-22.4,-17.6,140,35,1.2,88,1,
2,2031-03-10T14:01,17,run,-20,-19.8,-22.4,-17.6,140,35,1.2,88,1,
# end: rows=2
"""
PRIVATE_NAME = "Grey_Heron.csv"


@pytest.fixture(scope="module")
def orchestrated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Home, Path, Path]]:
    folder = tmp_path_factory.mktemp("Night_Jay")  # folders can be named after people too
    path = folder / PRIVATE_NAME
    path.write_text(LOG)
    home = make_home(folder / "ledger")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
        patch.setenv("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")  # it outlives the captured output
        from prefect.events.worker import EventsWorker
        from prefect.logging.handlers import APILogWorker
        from prefect.settings import PREFECT_API_DATABASE_CONNECTION_URL
        from prefect.testing.utilities import prefect_test_harness

        from flows.prefect_load import load_under_prefect

        with prefect_test_harness(server_startup_timeout=120):
            summary = load_under_prefect(home, [path])
            assert (summary.devices, summary.drains, summary.published) == (1, 1, True)
            yield home, path, Path(str(PREFECT_API_DATABASE_CONNECTION_URL.value()).partition("///")[2])
            # The harness would wait for every event and log line to be delivered, also for those that other
            # tests of this process left for servers that are gone: for ever.
            patch.setattr(APILogWorker, "drain", lambda worker: None)
            patch.setattr(EventsWorker, "drain_all", lambda: None)


def test_a_prefect_run_makes_the_same_ledger_as_a_plain_one(
    orchestrated: tuple[Home, Path, Path], tmp_path: Path
) -> None:
    home, path, _ = orchestrated
    plain = make_home(tmp_path / "plain")
    load(plain, [path])
    assert differences(published(home), published(plain)) == []


def test_prefect_keeps_an_artifact_with_the_counts(orchestrated: tuple[Home, Path, Path]) -> None:
    from prefect.artifacts import Artifact

    artifact = Artifact.get("load-summary")
    assert artifact is not None
    assert "| rows kept | 2 |" in str(artifact.data)


def test_a_path_that_is_not_there_is_said_to_the_caller_alone(
    orchestrated: tuple[Home, Path, Path], tmp_path: Path
) -> None:
    from pydantic import SecretStr

    from flows.orchestrator import Fault
    from flows.prefect_load import load as load_flow
    from flows.prefect_load import load_under_prefect

    home, _, database = orchestrated
    gone = tmp_path / "White_Stork.csv"
    with pytest.raises(CallError, match=r"White_Stork\.csv: no such file"):
        load_under_prefect(home, [gone])
    with pytest.raises(Fault, match=r"^CallError$"):
        load_flow(SecretStr(str(home.root)), [SecretStr(str(gone))])
    with sqlite3.connect(database) as records:
        assert "Stork" not in "\n".join(records.iterdump())


def test_no_file_name_reaches_prefects_records(orchestrated: tuple[Home, Path, Path]) -> None:
    database = orchestrated[2]
    assert database.exists()
    with sqlite3.connect(database) as records:
        dump = "\n".join(records.iterdump())
    assert "load-summary" in dump
    assert PRIVATE_NAME not in dump
    assert "Heron" not in dump
    assert "Jay" not in dump

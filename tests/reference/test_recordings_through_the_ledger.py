"""Real breathing as the traces of an otherwise simulated log, all the way to the published minutes."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.marts import select
from pipeline.simulate import (
    Clock,
    TraceFormat,
    device_rows,
    part,
    quiet_plan,
    therapy,
    traces,
    write_v1,
)
from tests.support.homes import load, make_home
from tests.support.recordings import RATE_HZ, reference_rates, windows

ZONE = "Europe/Zurich"


@pytest.fixture(scope="module")
def recorded() -> np.ndarray:
    """One row a minute of either recording: some 35 minutes of people breathing."""
    return np.vstack([windows(name, 60, every_seconds=60) for name in ("peakdet", "systole")])


@pytest.fixture(scope="module")
def minutes(tmp_path_factory: pytest.TempPathFactory, recorded: np.ndarray) -> pl.DataFrame:
    """The published minutes of a use whose every minute has a recorded minute as its trace, in turn."""
    lived = traces(
        therapy(7, quiet_plan(2 * len(recorded))), every_min=1, seconds=60, rate_hz=RATE_HZ, samples=recorded
    )
    rows = device_rows([part(lived, session=3)], Clock(ZONE))
    folder = tmp_path_factory.mktemp("recorded")
    log = folder / "recorded.csv"
    log.write_bytes(
        write_v1(
            rows,
            "DV-0001",
            lived.end + timedelta(hours=1),
            ZONE,
            "lakeside",
            TraceFormat(rate_hz=RATE_HZ, factor=0.1),
        )
    )
    home = make_home(folder / "ledger")
    assert load(home, [Path(log)]).clean
    found = select(
        home.database,
        "SELECT minute, state, tidaling, tidaling_basis, swing_cmh2o, breath_rate_per_min FROM minute ORDER BY minute",
        home.lake.root,
    )
    first = lived.log["minute"][0]
    return found.with_columns(
        trace=((pl.col("minute") - first).dt.total_minutes() % len(recorded)).cast(pl.Int64)
    ).filter(pl.col("state") == "run")


def test_every_running_minute_is_judged_by_its_trace(minutes: pl.DataFrame) -> None:
    assert minutes.height > 40
    assert set(minutes["tidaling_basis"]) == {"trace"}


def test_published_breath_rates_are_those_of_the_marks_where_every_breath_is_beyond_doubt(
    minutes: pl.DataFrame,
) -> None:
    found = [reference_rates(name, 60, every_seconds=60) for name in ("peakdet", "systole")]
    rates, sure = (np.concatenate(parts) for parts in zip(*found, strict=True))
    of_trace = minutes["trace"].to_numpy()
    chosen = sure[of_trace]
    assert chosen.sum() >= 15
    off = np.abs(minutes["breath_rate_per_min"].to_numpy()[chosen] - rates[of_trace][chosen])
    assert (off <= 1).mean() >= 0.95, (
        f"{(~(off <= 1)).sum()} of {chosen.sum()} minutes are off or without a rate"
    )


def test_no_minute_in_which_a_person_breathes_is_published_as_absent(minutes: pl.DataFrame) -> None:
    assert not minutes["tidaling"].eq("absent").any()
    assert minutes["tidaling"].eq("present").mean() > 0.8


def test_the_published_swing_is_that_of_the_recording(minutes: pl.DataFrame) -> None:
    seen = minutes.drop_nulls("swing_cmh2o")["swing_cmh2o"]
    assert 3 <= float(seen.median()) <= 5  # scaled to 4; breaths differ

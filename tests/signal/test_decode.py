"""Sampled-data text becomes numbers, or nothing."""

import math

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.signal import decode
from schemas.errors import InputError


def test_numbers_are_scaled_and_shifted() -> None:
    found = decode(pl.Series("t", ["-198 -195.5 0"]), 1.0, 0.1)
    assert found.name == "t"
    assert found.dtype == pl.List(pl.Float32)
    assert found.to_list()[0] == pytest.approx([-18.8, -18.55, 1.0], abs=1e-5)


def test_the_three_codes_of_sampled_data() -> None:
    # HL7 FHIR R4, SampledData: E error, U above range, L below range.
    e, u, low = decode(pl.Series(["E U L"]), 0.0, 0.1).to_list()[0]
    assert math.isnan(e)
    assert (u, low) == (math.inf, -math.inf)


@pytest.mark.parametrize(
    "text", [None, "", "   ", "1 x 2", "1,5 2", "nan", "inf", "1 e", "0x10", "1_000", "--1"]
)
def test_an_unreadable_or_empty_trace_is_null(text: str | None) -> None:
    assert decode(pl.Series(["1 2", text, "3"], dtype=pl.String), 0.0, 1.0).to_list() == [
        [1.0, 2.0],
        None,
        [3.0],
    ]


def test_spare_spaces_do_not_make_samples() -> None:
    assert decode(pl.Series(["  1   2 "]), 0.0, 1.0).to_list() == [[1.0, 2.0]]


def test_an_empty_column_stays_one() -> None:
    found = decode(pl.Series([], dtype=pl.String), 0.0, 1.0)
    assert found.to_list() == []
    assert found.dtype == pl.List(pl.Float32)


@given(st.lists(st.lists(st.integers(-2000, 2000), max_size=20), max_size=8))
def test_what_was_written_is_read(traces: list[list[int]]) -> None:
    texts = pl.Series([" ".join(map(str, t)) for t in traces], dtype=pl.String)
    expected = [[pytest.approx(v / 10, abs=1e-4) for v in t] or None for t in traces]
    assert decode(texts, 0.0, 0.1).to_list() == expected


@pytest.mark.parametrize(("origin", "factor"), [(0.0, 0.0), (math.nan, 1.0), (0.0, math.inf)])
def test_a_senseless_scale_is_refused(origin: float, factor: float) -> None:
    with pytest.raises(InputError, match="factor"):
        decode(pl.Series(["1"]), origin, factor)

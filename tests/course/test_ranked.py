"""Quantiles of known minutes against the same asked of Polars."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.course.ranked import Toward, trailing_quantiles

MINUTES = st.lists(
    st.tuples(st.none() | st.floats(0, 9).map(lambda x: round(x, 1)), st.integers(0, 3)), max_size=70
)


@pytest.mark.parametrize("toward", ["lower", "higher"])
@given(MINUTES, st.integers(1, 17), st.data(), st.sampled_from([0.0, 0.2, 0.5, 0.8, 1.0]))
def test_quantiles_are_those_of_polars(
    toward: Toward, minutes: list[tuple[float | None, int]], window: int, drawn: st.DataObject, share: float
) -> None:
    least = drawn.draw(st.integers(1, window))
    frame = pl.DataFrame(minutes, schema={"value": pl.Float64, "place": pl.Int64}, orient="row")
    frame = frame.with_columns(pl.col("place").sort())
    expected = frame.select(
        pl.col("value")
        .rolling_quantile(share, interpolation=toward, window_size=window, min_samples=least)
        .over("place")
    )["value"]
    found = trailing_quantiles(frame["value"], frame["place"], window, least, {"value": (share, toward)})
    assert found["value"].equals(expected)

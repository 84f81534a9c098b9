"""Quantities come out the same to the last bit, however many rows are reckoned together."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from fractions import Fraction

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cohort import claim, summarise
from pipeline.cohort.quantities import hours, in_units
from pipeline.definitions import Definitions
from schemas.lake import EVIDENCE, USE_ALERT, USE_CANISTER, USE_PERIOD
from schemas.registry import ANNOTATION, REGISTRY_DRAIN

STEPS = st.integers(-(10**9), 10**9)


@given(
    st.lists(STEPS, min_size=1, max_size=40), st.integers(1, 10**6) | st.integers(1, 99).map(lambda n: 64 * n)
)
def test_a_row_alone_is_the_row_in_its_batch(steps: list[int], per_unit: int) -> None:
    frame = pl.DataFrame({"steps": steps})
    whole = frame.select(in_units(pl.col("steps"), per_unit)).to_series().to_list()
    alone = [frame[i].select(in_units(pl.col("steps"), per_unit)).item() for i in range(len(steps))]
    assert whole == alone


@given(STEPS, st.integers(1, 10**6))
def test_what_is_shown_is_the_decimal_nearest_to_the_quotient(steps: int, per_unit: int) -> None:
    exact = Fraction(steps, per_unit) * 10**6
    half_up = (2 * exact.numerator + exact.denominator) // (2 * exact.denominator)
    assert pl.select(in_units(pl.lit(steps), per_unit)).item() == half_up / 10**6


@given(st.lists(st.integers(0, 10**15), min_size=1, max_size=20))
def test_hours_do_not_depend_on_the_batch(microseconds: list[int]) -> None:
    frame = pl.DataFrame({"x": [timedelta(microseconds=x) for x in microseconds]})
    whole = frame.select(hours(pl.col("x"))).to_series().to_list()
    assert whole == [frame[i].select(hours(pl.col("x"))).item() for i in range(frame.height)]


def test_what_is_not_known_stays_unknown() -> None:
    frame = pl.DataFrame({"steps": [None, 3], "n": [3, None]}, schema={"steps": pl.Int64, "n": pl.Int64})
    assert frame.select(in_units(pl.col("steps"), pl.col("n"))).to_series().to_list() == [None, None]


def test_three_drains_together_and_one_by_one_are_equal_to_the_last_bit(
    uses_of: Callable[..., pl.DataFrame],
    use: Callable[..., dict],
    course_of_use: Callable[..., pl.DataFrame],
    at: Callable[[float], datetime],
    definitions: Definitions,
) -> None:
    # Means over 64 minutes that lie halfway between two of the decimals shown: there the last bit tells.
    minutes, sums = 64, (17, 29, 33)
    rows = [use(device=f"DV-{total}", end=minutes / 60) for total in sums]
    uses = uses_of(*rows)
    course = pl.concat(
        [
            course_of_use(row, lambda i, total=total: 0.1 * (i < total))
            for row, total in zip(rows, sums, strict=True)
        ]
    )
    claims = claim(uses, REGISTRY_DRAIN.empty(), bytes(32))

    def tables(drain_ids: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
        told = summarise(
            claims.only(drain_ids), uses, course, EVIDENCE.empty(), USE_PERIOD.empty(), USE_ALERT.empty(), USE_CANISTER.empty(),
            ANNOTATION.empty(), definitions, (),
        )  # fmt: skip
        return told.drain, told.drain_day

    ids = claims.drains["drain_id"].to_list()
    together = tables(ids)
    apart = [tables([one]) for one in sorted(ids)]
    assert together[0]["leak_mean_ml_min"].sort().to_list() == [0.026563, 0.045313, 0.051563]
    for number, whole in enumerate(together):
        assert whole.rows() == pl.concat([part[number] for part in apart]).sort(whole.columns[0]).rows()

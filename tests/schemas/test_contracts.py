from __future__ import annotations

import math
from datetime import UTC, datetime

import pandera.errors
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas import derivation, lake, published, registry, views
from schemas.table import Column, Table

EVERY_TABLE = [
    table
    for module in (lake, registry, published, views, derivation)
    for table in vars(module).values()
    if isinstance(table, Table)
]


@pytest.mark.parametrize("table", EVERY_TABLE, ids=lambda t: t.name)
def test_every_table_has_meanings_types_and_a_key_of_its_own_columns(table: Table) -> None:
    assert table.meaning.endswith(".")
    for column in table.columns:
        assert column.meaning, column.name
        assert column.duckdb_type
        assert column.name == column.name.lower()
    assert set(table.key) <= set(table.names)
    assert table.validate(table.empty()).columns == table.names


@pytest.mark.parametrize("table", EVERY_TABLE, ids=lambda t: t.name)
def test_a_unit_in_a_name_is_the_unit_of_the_column(table: Table) -> None:
    suffixes = {
        "_cmh2o": "cm[H2O]",
        "_ml_min": "mL/min",
        "_ml": "mL",
        "_hours": "h",
        "_deg": "deg",
        "_per_min": "/min",
    }
    for column in table.columns:
        for suffix, unit in suffixes.items():
            if column.name.endswith(suffix):
                assert column.unit == unit, column.name
                break


def _alert(**changes: object) -> pl.DataFrame:
    noon = datetime(2031, 3, 10, 12, tzinfo=UTC)
    row = {
        "use_id": "lakeside:DV-0001/1@20310310T1200Z",
        "site": "lakeside",
        "device": "DV-0001",
        "code": "battery_low",
        "started_at": noon,
        "ended_at": noon,
        "minutes": 1,
        "minutes_to_clear": None,
    }
    return pl.DataFrame([row | changes], schema=lake.USE_ALERT.dtypes)


def test_a_good_row_passes() -> None:
    assert lake.USE_ALERT.validate(_alert()).height == 1


@pytest.mark.parametrize("change", [{"minutes": 0}, {"code": None}, {"started_at": None}])
def test_a_value_out_of_contract_fails(change: dict[str, object]) -> None:
    with pytest.raises(pandera.errors.SchemaErrors):
        lake.USE_ALERT.validate(_alert(**change))


def test_a_word_that_is_not_of_the_trade_fails() -> None:
    row = {c.name: None for c in lake.USE_PERIOD.columns} | {
        "use_id": "u",
        "site": "s",
        "device": "d",
        "span": 0,
        "kind": "bubbling",
        "started_at": datetime(2031, 3, 10, tzinfo=UTC),
        "ended_at": datetime(2031, 3, 10, 1, tzinfo=UTC),
        "minutes": 60,
    }
    with pytest.raises(pandera.errors.SchemaErrors):
        lake.USE_PERIOD.validate(pl.DataFrame([row], schema=lake.USE_PERIOD.dtypes))


def test_a_missing_or_extra_column_fails() -> None:
    with pytest.raises(pandera.errors.SchemaErrors):
        lake.USE_ALERT.validate(_alert().drop("minutes"))
    with pytest.raises(pandera.errors.SchemaErrors):
        lake.USE_ALERT.validate(_alert().with_columns(extra=1))


def test_two_rows_of_one_key_fail() -> None:
    with pytest.raises(pandera.errors.SchemaErrors):
        lake.USE_ALERT.validate(pl.concat([_alert(), _alert()]))


def _files(*rows: tuple[str, str]) -> pl.DataFrame:
    """Rows of `file_name`: a file's digest and a name it was given under."""
    return pl.DataFrame(rows, schema=lake.FILE_NAME.dtypes, orient="row")


@pytest.mark.parametrize(
    "rows",
    [
        (("b", "1"), ("b", "2"), ("a", "1"), ("a", "3")),  # each file in one stretch, its names growing
        (("b", "2"), ("b", "1")),  # in no order, and unique all the same
        (("a", "1"), ("b", "1"), ("a", "2")),  # a file that comes back with another name
    ],
)
def test_rows_of_different_keys_pass_in_whatever_order(rows: tuple[tuple[str, str], ...]) -> None:
    assert lake.FILE_NAME.validate(_files(*rows)).rows() == list(rows)


@pytest.mark.parametrize(
    "rows",
    [
        (("a", "1"), ("a", "1")),
        (("a", "1"), ("a", "2"), ("a", "1")),
        (("a", "1"), ("b", "1"), ("a", "1")),
    ],
)
def test_a_key_that_comes_twice_fails_wherever_it_stands(rows: tuple[tuple[str, str], ...]) -> None:
    with pytest.raises(pandera.errors.SchemaErrors):
        lake.FILE_NAME.validate(_files(*rows))


FILLED = [
    *({} for _ in range(3)),
    {"minutes": None},
    {"minutes": -1},
    {"minutes_to_clear": 0},
    {"code": "no_word"},
]


@given(
    st.lists(st.sampled_from([_alert(**change) for change in FILLED]), max_size=3),
    st.booleans(),
    st.booleans(),
)
def test_what_fits_at_a_glance_is_what_pandera_finds_nothing_in(
    rows: list[pl.DataFrame], one_key: bool, other_type: bool
) -> None:
    frame = pl.concat([lake.USE_ALERT.empty(), *rows])
    if not one_key:
        frame = frame.with_columns(use_id=pl.col("use_id") + pl.int_range(pl.len(), 0, -1).cast(pl.String))
    if other_type:
        frame = frame.with_columns(minutes=pl.col("minutes").cast(pl.Float64))
    try:
        lake.USE_ALERT.schema.validate(frame, lazy=True)
        sound = True
    except pandera.errors.SchemaErrors:
        sound = False
    assert lake.USE_ALERT.fits(frame) == sound


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -0.1, 0.0, 1.0, 1.1, None])
def test_a_number_that_is_none_fits_where_pandera_lets_it_pass(value: float | None) -> None:
    table = Table("share", "A share.", (Column("share", pl.Float64(), "Of one.", least=0, most=1),), ())
    frame = pl.DataFrame({"share": [0.5, value]}, schema=table.dtypes)
    try:
        table.schema.validate(frame, lazy=True)
        sound = True
    except pandera.errors.SchemaErrors:
        sound = False
    assert table.fits(frame) == sound == (value in (0.0, 1.0, None))

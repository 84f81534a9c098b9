"""The published database against a list kept by hand of what people outside rely on: a lost name fails."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest

from schemas.macros import MACROS

LISTED = Path(__file__).with_name("published_names.txt").read_text(encoding="utf-8")
# The same word for a yes or no of one drain and for how many of a ward have it, as outsiders know it.
TWO_THINGS = {"removed_before_ready"}
WHOLE = {"INTEGER", "BIGINT"}  # of one drain, and summed over a ward


def listed() -> dict[str, list[str]]:
    """Section → its lines."""
    sections: dict[str, list[str]] = {}
    for line in LISTED.splitlines():
        if line.startswith("["):
            lines = sections.setdefault(line.strip("[]"), [])
        elif line and not line.startswith("#"):
            lines.append(line)
    return sections


COLUMNS = [(table, line) for table, lines in listed().items() if table != "macros" for line in lines]


@pytest.fixture(scope="module")
def catalogue(new_cohort, tmp_path_factory):
    target = new_cohort().publish(tmp_path_factory.mktemp("names") / "drainledger.duckdb")
    with duckdb.connect(str(target), read_only=True) as connection:
        yield connection


@pytest.fixture(scope="module")
def columns(catalogue):
    rows = catalogue.execute(
        "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() "
        "WHERE database_name = current_database()"
    ).fetchall()
    return {
        (table, column): (dtype.replace("TIMESTAMP WITH TIME ZONE", "TIMESTAMPTZ"), comment)
        for table, column, dtype, comment in rows
    }


def test_the_list_is_long_enough_to_be_the_database():
    assert len(listed()) > 30
    assert len(COLUMNS) > 300


@pytest.mark.parametrize(("table", "line"), COLUMNS, ids=[f"{t}.{c.split()[0]}" for t, c in COLUMNS])
def test_a_listed_column_is_there_with_its_type_and_a_comment_with_its_unit(columns, table, line):
    name, dtype, *unit = line.split(" ", 2)
    assert (table, name) in columns
    found, comment = columns[table, name]
    assert found == dtype
    assert comment
    assert len(comment.split()) > 1 or comment.endswith(".")
    if unit:
        assert unit[0] in comment


def test_listed_macros_are_there_as_they_are_called_and_say_what_they_give(catalogue):
    rows = catalogue.execute(
        "SELECT function_name, parameters, function_type, comment FROM duckdb_functions() WHERE NOT internal"
    ).fetchall()
    found = {name: (parameters, kind, comment) for name, parameters, kind, comment in rows}
    calls = listed()["macros"]
    assert len(calls) >= 20
    for call in calls:
        name, _, rest = call.rstrip(")").partition("(")
        wanted = [part.split(":=")[0].strip() for part in re.split(r", (?![^\[]*\])", rest)]
        parameters, kind, comment = found[name]
        assert parameters == wanted
        assert comment
        assert kind == ("table_macro" if name == "prolonged_leak_signals" else "macro")


def test_each_macro_of_the_database_is_in_the_dictionary_and_the_other_way_round(catalogue):
    rows = catalogue.execute(
        "SELECT function_name, comment FROM duckdb_functions() WHERE NOT internal"
    ).fetchall()
    assert dict(rows) == {macro.name: macro.meaning for macro in MACROS}


def test_a_column_name_has_one_type_wherever_it_stands(columns):
    kinds: dict[str, set[str]] = {}
    for (_, name), (dtype, _) in columns.items():
        kinds.setdefault(name, set()).add("whole number" if dtype in WHOLE else dtype)
    assert {name: found for name, found in kinds.items() if len(found) > 1 and name not in TWO_THINGS} == {}


def test_names_are_lower_case_words_and_units_are_in_names_that_need_one(columns):
    for table, name in columns:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", f"{table}_{name}")
    units = (("_ml_min", "mL/min"), ("_cmh2o", "cm[H2O]"), ("_ml", "mL"), ("_hours", "h"))
    for (_, name), (_, comment) in columns.items():
        unit = next((unit for ending, unit in units if name.endswith(ending)), None)
        assert unit is None or f"[{unit}]" in comment, name

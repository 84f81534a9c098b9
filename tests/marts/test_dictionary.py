"""The data dictionary is what the contracts say, names everything that is published, and leaves nothing empty."""

from __future__ import annotations

import re

import pytest

from pipeline.marts.dictionary import GROUPS, PAGE, dictionary_of_database
from schemas.macros import MACROS
from schemas.published import DEFINITION, TABLES
from schemas.views import VIEWS

PUBLISHED = (*TABLES, DEFINITION, *VIEWS)


def test_the_page_is_what_the_contracts_say_now():
    assert PAGE.read_text(encoding="utf-8") == dictionary_of_database(), "run make dictionary"


def test_each_published_table_and_view_stands_in_one_group():
    told = [name for _, _, names in GROUPS for name in names]
    assert sorted(told) == sorted(table.name for table in PUBLISHED)


@pytest.mark.parametrize("table", PUBLISHED, ids=lambda t: t.name)
def test_each_column_has_a_line_with_its_unit_and_a_meaning(table):
    section = re.split(
        r"^##+ ", PAGE.read_text(encoding="utf-8").partition(f"### {table.name}\n")[2], flags=re.M
    )
    rows = {
        row[0].strip("`"): row
        for row in re.findall(r"^\| (`\w+`) \| (.+?) \| (.*?) ?\| (.+) \|$", section[0], re.M)
    }
    assert list(rows) == table.names
    for column in table.columns:
        _, _, unit, meaning = rows[column.name]
        assert unit.strip("`") == column.unit
        assert meaning.startswith(column.meaning[:20])


def test_each_macro_has_a_line():
    page = PAGE.read_text(encoding="utf-8")
    for macro in MACROS:
        assert f"| `{macro.call}` |" in page

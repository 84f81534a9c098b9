from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.store.journal import (
    Reading,
    clear_journal,
    read_journal,
    read_readings,
    write_journal,
    write_reading,
)
from schemas.errors import LedgerError

READING = Reading("ab" * 32, "log", 'odd "name" é.csv', "north", "cd" * 32, "north")


def test_the_journal_tells_what_was_begun_and_nothing_after_it_is_cleared(tmp_path: Path) -> None:
    path = tmp_path / "pending.json"
    assert read_journal(path) == []
    write_journal(path, [READING])
    assert read_journal(path) == [READING]
    clear_journal(path)
    clear_journal(path)
    assert read_journal(path) == []


def test_a_damaged_journal_says_the_way_back(tmp_path: Path) -> None:
    path = tmp_path / "pending.json"
    path.write_text("[{")
    with pytest.raises(LedgerError, match="drainledger rebuild"):
        read_journal(path)


def test_readings_come_back_in_the_order_of_their_digests(tmp_path: Path) -> None:
    second, first = READING, Reading("01" * 32, "registry", "r.csv")
    for reading in (second, first):
        write_reading(tmp_path, reading)
    assert read_readings(tmp_path) == [first, second]

"""A table that is kept open says what its log says, whoever wrote it."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline.store.lake import Lake
from pipeline.store.opened import open_newest
from pipeline.store.place import Folder
from schemas.derivation import MADE
from schemas.errors import LakeError


def _note(subject: str) -> pl.DataFrame:
    row = dict.fromkeys(MADE.names, "x") | {"subject": subject}
    return pl.DataFrame([row], schema=MADE.dtypes)


def _subjects(lake: Lake) -> list[str]:
    return sorted(lake.scan(MADE).collect()["subject"])


def test_a_table_whose_log_stands_is_opened_once(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.append(MADE, _note("a"))
    assert _subjects(lake) == ["a"]
    kept = open_newest(Folder(tmp_path / MADE.name))
    lake.append(MADE, _note("b"))
    assert open_newest(Folder(tmp_path / MADE.name)) is kept
    assert _subjects(lake) == ["a", "b"]


def test_what_another_process_committed_is_seen(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.append(MADE, _note("a"))
    assert _subjects(lake) == ["a"]
    lake.open(MADE).delete("subject = 'a'")
    assert _subjects(lake) == []
    assert lake.version(MADE) == 1
    lake.append(MADE, _note("b"))
    assert _subjects(lake) == ["b"]


def test_another_lake_in_the_same_place_is_another(tmp_path: Path) -> None:
    lake = Lake(tmp_path / "lake")
    lake.append(MADE, _note("a"))
    assert _subjects(lake) == ["a"]
    shutil.rmtree(tmp_path / "lake")
    lake.append(MADE, _note("b"))
    assert _subjects(lake) == ["b"]


def test_a_log_damaged_meanwhile_is_found_damaged(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.append(MADE, _note("a"))
    assert _subjects(lake) == ["a"]
    entry = tmp_path / MADE.name / "_delta_log" / f"{0:020}.json"
    entry.chmod(0o600)
    entry.write_bytes(entry.read_bytes()[:-20])
    with pytest.raises(LakeError, match="cannot be opened"):
        lake.scan(MADE)

"""The lake of a home on an object store is kept in shape like one on a disk, and looked over likewise."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.keeping.doctor import examine, worst
from flows.keeping.finding import Grade
from flows.keeping.upkeep import maintain
from pipeline.definitions import load_definitions
from pipeline.marts import dump
from schemas.lake import MINUTE
from tests.store.conftest import Server, begin
from tests.support.homes import NOW, differences, load

AT_ONCE = load_definitions().upkeep.model_copy(update={"reader_hours": 0, "log_entries": 0})


@pytest.mark.long
def test_small_files_in_a_bucket_become_few_and_no_row_changes(
    s3: Server, tmp_path: Path, few: list[Path]
) -> None:
    home = begin(tmp_path / "home", "pre-1/upkeep")
    some = few[:2]
    for path in some:
        load(home, [path])
    before = dump(home.database, home.lake.place)
    sizes = home.lake.place.sizes()
    assert len(home.lake.files(MINUTE)) == 2
    upkeep = maintain(home, rules=AT_ONCE)
    assert len(home.lake.files(MINUTE)) == 1
    assert upkeep.freed > 0
    assert set(sizes) - set(home.lake.place.sizes()) != set()
    assert differences(dump(home.database, home.lake.place), before) == []
    assert not load(home, some).published


def test_a_home_in_a_bucket_is_looked_over_like_any_other(
    s3: Server, tmp_path: Path, few: list[Path]
) -> None:
    home = begin(tmp_path / "home", "pre-1/doctor")
    load(home, few)
    found = examine(home, NOW, every=True)
    assert worst(found) is Grade.FINE, [one for one in found if one.grade is not Grade.FINE]
    part = next(
        name for name in home.lake.place.sizes() if name.startswith("course/") and name.endswith("parquet")
    )
    home.lake.place.remove(part)
    assert any(one.check == "lake" and "gone" in one.what for one in examine(home, NOW))

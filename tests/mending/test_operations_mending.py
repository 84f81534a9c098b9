"""The guide to operations, of withdrawing, erasing, keeping and looking over: each command runs as it is shown."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from flows.cli import SOME_REJECTED, run
from pipeline.store import Home
from shared import SHARED
from tests.mending.ward import ANNA_KEYS, write_ward
from tests.support.guides import calls, follow, section

GUIDE = (SHARED / "guides" / "operations.md").read_text(encoding="utf-8")
PARTS = ("Withdraw, correct, erase", "Backup and restore", "Doctor and maintenance")


def test_a_file_is_withdrawn_a_patient_erased_and_the_home_kept_and_looked_over_as_the_guide_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    files = write_ward(tmp_path / "ward")
    assert run(["--home", "ledger", "load", "ward"]) == SOME_REJECTED
    names = {
        "4f2ac0": lambda: hashlib.sha256(files[1].read_bytes()).hexdigest()[:6],
        "4711034": lambda: ANNA_KEYS[0],
        "/backups/ledger-2031-06-01": lambda: "kept",
    }
    wanted = [call for part in PARTS for call in calls(section(GUIDE, part))]
    assert len(wanted) >= 7
    follow(wanted, capsys, names=names)
    assert not any(
        key.encode() in path.read_bytes() for key in ANNA_KEYS for path in Path("ledger").rglob("*.csv")
    )
    assert Home(tmp_path / "ledger-back").database.exists()

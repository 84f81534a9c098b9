"""What the guide to operations says of homes, of object stores and of permissions is what happens."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from flows.cli import DONE, SOME_REJECTED
from pipeline.store import Home
from shared import SHARED
from tests.store.conftest import Server
from tests.support.guides import calls, follow, section
from tests.support.homes import load

GUIDE = (SHARED / "guides" / "operations.md").read_text(encoding="utf-8")
OURS = ("Install and first night", "A home on an object store", "Permissions and umask")


def test_every_command_of_these_parts_runs_and_prints_what_is_shown(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    s3: Server,
    few: list[Path],
) -> None:
    (tmp_path / "exports").mkdir()
    for path in few:
        (tmp_path / "exports" / path.name).write_bytes(path.read_bytes())
    monkeypatch.chdir(tmp_path)
    commands = [call for title in OURS for call in calls(section(GUIDE, title))]
    assert len(commands) >= 7
    for call in commands:
        if "demo" in call.words:  # run whole, with what it prints, for the README and the guide to research
            load(Home(tmp_path / "trial"), few)
        else:
            follow([call], capsys, ends=(DONE, SOME_REJECTED))
    store = Home(tmp_path / "ledger").store
    assert store is not None
    keys = re.findall(r"^(\w+) = ", section(GUIDE, "A home on an object store"), re.MULTILINE)
    assert set(keys) == set(type(store).model_fields)


def test_a_home_holds_what_the_guide_lists_and_nothing_else(in_bucket: Home, on_disk: Home) -> None:
    listed = set(re.findall(r"^\| `([^`]+)`", section(GUIDE, "What a home holds"), re.MULTILINE))
    for home in (in_bucket, on_disk):
        names = {path.name + ("/" if path.is_dir() else "") for path in home.root.iterdir()}
        assert names <= listed


def test_the_threats_name_everybody_and_every_sentence_of_a_store_is_the_code_s(s3: Server) -> None:
    text = section(GUIDE, "Who could do what: threats")
    for who in (
        "colleague",
        "landing folder",
        "site that sends",
        "researcher",
        "backup",
        "administrator",
        "upgrade",
        "SQL",
    ):
        assert who in text
    import pipeline.store.bucket as bucket

    source = Path(bucket.__file__).read_text(encoding="utf-8")
    said = re.findall(
        r"`(it [^`…]+|the bucket [^`]+|there is no bucket)", section(GUIDE, "A home on an object store")
    )
    assert len(said) >= 5
    for sentence in said:
        assert sentence.strip() in source, sentence

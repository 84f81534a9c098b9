"""Words that only the private store may hold are looked for in every byte of everything else."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from flows.cli import DONE, SOME_REJECTED, run
from tests.security.conftest import FILE_NAME, PATIENTS, Hostile


def _forms(word: str) -> Iterator[bytes]:
    yield word.encode()
    yield word.encode("utf-16-le")
    yield json.dumps(word)[1:-1].encode()


def _planted(hostile: Hostile) -> list[bytes]:
    secret = (hostile.home.private / "secret").read_text()
    words = [*PATIENTS, FILE_NAME, FILE_NAME.removesuffix(".csv"), secret]
    return [form for word in words for form in _forms(word)] + [bytes.fromhex(secret)]


def _found(root: Path, planted: list[bytes], *, but: Path | None = None) -> list[str]:
    found = []
    for path in sorted(root.rglob("*")):
        if not path.is_file() or (but is not None and path.is_relative_to(but)):
            continue
        data = path.read_bytes()
        data += gzip.decompress(data) if data.startswith(b"\x1f\x8b") else b""
        named = str(path.relative_to(root)).encode()
        found += [f"{path}: {word!r}" for word in planted if word in data or word in named]
    return found


def test_the_home_but_its_private_store_holds_none_of_them(hostile: Hostile) -> None:
    planted = _planted(hostile)
    assert _found(hostile.home.root, planted, but=hostile.home.private) == []
    # The search can find: they are where they belong. Parquet may pack a text, the raw registry does not.
    private = " ".join(_found(hostile.home.private, planted))
    assert all(word in private for word in (*PATIENTS, FILE_NAME))


def test_no_row_of_the_database_and_the_lake_holds_them(hostile: Hostile) -> None:
    # Their files may be packed, so the values are read as well.
    planted = [word.decode() for word in _planted(hostile) if word.isascii() and b"\x00" not in word]
    texts: list[str] = []
    with duckdb.connect(str(hostile.home.database), read_only=True) as connection:
        for name, kind in connection.execute(
            "SELECT table_name, table_type FROM information_schema.tables"
        ).fetchall():
            texts += [str(row) for row in connection.execute(f'FROM "{name}"').fetchall()]
            assert kind
    with duckdb.connect() as engine:
        for part in sorted((hostile.home.root / "lake").rglob("*.parquet")):
            texts += [str(row) for row in engine.execute("FROM read_parquet(?)", [str(part)]).fetchall()]
    assert len(texts) > 10_000
    every = "\n".join(texts)
    assert [word for word in planted if word in every] == []


def test_pages_extracts_and_what_is_exported_hold_none_of_them(hostile: Hostile, tmp_path: Path) -> None:
    home = ["--home", str(hostile.home.root)]
    cohort = tmp_path / "cohort.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n\n[give]\ndates = "hours"\nhourly = true\n')
    for table in ("drain", "load_file", "rejected_row", "data_quality", "provenance"):
        assert (
            run([*home, "sql", f"FROM {table}", "-o", str(tmp_path / f"{table}.csv"), "--format", "csv"])
            == DONE
        )
    assert run([*home, "report", "--out", str(tmp_path / "report")]) == DONE
    assert run([*home, "extract", str(cohort), "--out", str(tmp_path / "extract")]) == DONE
    assert _found(tmp_path, _planted(hostile)) == []
    made = [path for path in tmp_path.rglob("*") if path != cohort]
    assert [path for path in made if path.stat().st_mode & 0o077] == []
    # Serials and digests of raw files do not leave in an extract's tables.
    serials = [f"DV-{number}".encode() for number in range(20)]
    assert _found(tmp_path / "extract", serials) == []


@pytest.mark.parametrize(
    "command", [["sql", "FROM drain"], ["sql", "FROM load_file"], ["whatif"], ["outcomes", "--by", "unit"]]
)
def test_what_is_for_everybody_prints_none_of_them(
    command: list[str], hostile: Hostile, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--home", str(hostile.home.root), *command]) == DONE
    printed = "".join(capsys.readouterr()).encode()
    assert [word for word in _planted(hostile) if word in printed] == []


def test_logs_of_a_run_hold_none_of_them_also_when_it_fails(
    hostile: Hostile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DRAINLEDGER_LOG", "json")
    landing = tmp_path / FILE_NAME.removesuffix(".csv")
    landing.mkdir()
    for name in (FILE_NAME, "registry.csv"):
        (landing / name).write_bytes((hostile.landing / name).read_bytes())
    home = ["--home", str(tmp_path / "home")]
    assert run([*home, "load", str(landing)]) in (DONE, SOME_REJECTED)
    assert run([*home, "load", str(landing / "gone.csv")]) != DONE
    capsys.readouterr()
    secret = (tmp_path / "home" / "private" / "secret").read_text()
    planted = [form for word in (*PATIENTS, FILE_NAME, secret) for form in _forms(word)]
    assert _found(tmp_path / "home", planted, but=tmp_path / "home" / "private") == []

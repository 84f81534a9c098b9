from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.store.vault import Vault, digest_of
from schemas.errors import LedgerError


def test_bytes_come_back_as_they_were_given(tmp_path: Path) -> None:
    vault = Vault(tmp_path)
    data = b"\x00\xff# drain-log: 1\r\n"
    digest = vault.keep(data)
    assert vault.read(digest) == data
    assert digest == digest_of(data)


def test_the_same_bytes_are_kept_once_and_read_only(tmp_path: Path) -> None:
    vault = Vault(tmp_path)
    first, second = vault.keep(b"a"), vault.keep(b"a")
    assert first == second
    files = [p for p in tmp_path.rglob("*") if p.is_file()]
    assert files == [vault.path(first)]
    assert files[0].stat().st_mode & 0o222 == 0


def test_changed_bytes_are_found_out(tmp_path: Path) -> None:
    vault = Vault(tmp_path)
    digest = vault.keep(b"as logged")
    vault.path(digest).chmod(0o600)
    vault.path(digest).write_bytes(b"as wished")
    with pytest.raises(LedgerError, match="its bytes have changed; restore"):
        vault.read(digest)


def test_a_missing_raw_file_says_what_to_restore(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="cannot be read"):
        Vault(tmp_path).read("0" * 64)

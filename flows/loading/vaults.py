"""In which of a home's two vaults the bytes of a file lie: the logs' or the private one."""

from __future__ import annotations

from collections.abc import Mapping, Set

from pipeline.store import Home
from pipeline.store.journal import reading_of
from pipeline.store.vault import Vault


def keep(home: Home, data: bytes, digest: str, *, private: bool) -> None:
    """Keep a file's bytes in its vault; what was private and is recognised now moves out of there."""
    if private:
        home.private_raw.keep(data, digest)
        return
    home.private_raw.forget(home.raw.keep(data, digest))


def keep_all(home: Home, files: Mapping[str, bytes], private: Set[str]) -> set[str]:
    """The same for many files by digest, of which some are private; returns which were in no vault before."""
    new = home.private_raw.keep_all({digest: files[digest] for digest in files if digest in private})
    new |= home.raw.keep_all({digest: files[digest] for digest in files if digest not in private})
    for digest in files.keys() - private:
        home.private_raw.forget(digest)
    return new


def vault_of(home: Home, digest: str) -> Vault:
    """The vault that holds a file, or should: where neither does, its reading tells which."""
    for vault in (home.raw, home.private_raw):
        if vault.has(digest):
            return vault
    reading = reading_of(home.readings, digest)
    recognised = reading is not None and reading.kind == "log" and reading.profile_sha256 is not None
    return home.raw if recognised else home.private_raw

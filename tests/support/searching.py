"""Every byte of a home looked through: raw files out of their gzip, Parquet decoded, the database asked."""

from __future__ import annotations

import re
import zlib
from contextlib import suppress
from pathlib import Path

import duckdb
import polars as pl

_UNPACKED_MOST = 64 << 20


def texts_of(root: Path) -> dict[str, str]:
    """Every file of a home as text: what it holds, decoded, behind what its bytes show; and its own name."""
    found: dict[str, str] = {}
    for path in sorted(p for p in root.rglob("*") if p.is_file()):
        name = str(path.relative_to(root))
        data = path.read_bytes()
        texts = [name, data.decode("latin-1")]
        if data.startswith(b"\x1f\x8b"):
            texts.append(_unpacked(data).decode("latin-1"))
        if data.startswith(b"PAR1"):
            texts.append(_values(pl.read_parquet(path)))
        if path.suffix == ".duckdb":
            texts.append(_database(path))
        if b"\0" in data[:400]:
            texts.append(data.decode("utf-16-le", errors="replace"))
        found[name] = "\n".join(texts)
    return found


def places_of(root: Path, words: list[str]) -> list[tuple[str, str]]:
    """Where in a home any of the words stands, as a word of its own: (file, word)."""
    texts = texts_of(root)
    wanted = {word: re.compile(rf"(?<![\w.]){re.escape(word)}(?!\w)") for word in words}
    return [(name, word) for name, text in texts.items() for word, at in wanted.items() if at.search(text)]


def _unpacked(data: bytes) -> bytes:
    """What comes out of a gzip file, as far as it is whole."""
    with suppress(zlib.error):
        return zlib.decompressobj(wbits=31).decompress(data, _UNPACKED_MOST)
    return b""


def _values(frame: pl.DataFrame) -> str:
    return "\n".join(repr(row) for row in frame.rows())


def _database(path: Path) -> str:
    parts = []
    with duckdb.connect(str(path), read_only=True) as connection:
        tables = connection.execute("SELECT table_name FROM information_schema.tables").fetchall()
        for (table,) in tables:
            rows = connection.execute(f'SELECT * FROM "{table}"').fetchall()
            parts += [repr(row) for row in rows]
    return "\n".join(parts)

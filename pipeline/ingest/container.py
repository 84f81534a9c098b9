"""What a file is wrapped in: gzip told by its first bytes and unpacked within bounds, a byte-order mark."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Protocol

from pipeline.ingest.rules import FileRejected, Rule

_GZIP_MAGIC = b"\x1f\x8b"
_GZIP_WBITS = 31
_STEP = 1 << 20


class _Inflater(Protocol):
    def decompress(self, data: bytes, max_length: int, /) -> bytes: ...


@dataclass(frozen=True)
class Unpacked:
    """The log's own bytes, and whether the packed file broke off before its end."""

    data: bytes
    cut_off: bool = False


def unpack(data: bytes, most: int) -> Unpacked:
    """
    Take a log out of its gzip, if it is in one (told by the first two bytes, not by a name).

    Unpacking stops at `most` bytes, so a small file that unpacks without end costs little. A packed
    file that breaks off gives what came before the break; one whose bytes were altered gives
    nothing, for then any number in it may be wrong.

    Raises
    ------
    FileRejected
        Empty, too large, or damaged.
    """
    if not data:
        raise FileRejected(Rule.FILE_EMPTY, "The file is empty; export it again.")
    unpacked = _gunzip(data, most) if data.startswith(_GZIP_MAGIC) else Unpacked(data)
    if len(unpacked.data) > most:
        raise _too_large(most)
    if not unpacked.data:
        if unpacked.cut_off:
            raise FileRejected(
                Rule.GZIP_CUT_OFF, "The gzip file breaks off before its first line; copy it again."
            )
        raise FileRejected(Rule.FILE_EMPTY, "The file is empty inside its gzip; export it again.")
    return unpacked


def _gunzip(data: bytes, most: int) -> Unpacked:
    parts: list[bytes] = []
    size = at = 0
    while data.startswith(_GZIP_MAGIC, at):
        member = zlib.decompressobj(_GZIP_WBITS)
        while not member.eof and at < len(data):
            fed = data[at : at + _STEP]
            at += len(fed)
            # One byte more than allowed is enough to know; the rest of a bomb is never unpacked.
            part = _inflate(member, fed, most - size + 1)
            parts.append(part)
            size += len(part)
            if size > most:
                raise _too_large(most)
        if not member.eof:
            return Unpacked(b"".join(parts), cut_off=True)
        at -= len(member.unused_data)
    # A gzip file may be padded with zeros; anything else behind it is what is left of a further member.
    return Unpacked(b"".join(parts), cut_off=bool(data[at:].strip(b"\0")))


def _inflate(member: _Inflater, fed: bytes, most: int) -> bytes:
    try:
        return member.decompress(fed, most)
    except zlib.error as error:
        raise FileRejected(
            Rule.GZIP_DAMAGED, "The gzip file is damaged, so none of it can be trusted; copy it again."
        ) from error


def _too_large(most: int) -> FileRejected:
    return FileRejected(
        Rule.FILE_TOO_LARGE,
        f"The log is larger than {most // 2**20} MiB unpacked; split it, or raise plausible.file_most.",
    )

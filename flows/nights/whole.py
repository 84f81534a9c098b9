"""Whether a file ends as a whole one does, or as one whose copy is still under way."""

from __future__ import annotations

import os
import zlib
from pathlib import Path
from typing import BinaryIO

_PIECE = 1 << 20
_TAIL = 4096
_MOST_UNPACKED = 1 << 30  # a file that unpacks to more is for the load to judge
_GZIP = b"\x1f\x8b"


def ends_whole(path: Path) -> bool:
    """
    Whether the file's last bytes are those of a whole one.

    A text ends with a line end; a drain log with its last line `# end: …`, for one that was cut between two
    lines looks whole otherwise; a gzip file with the end of its stream. A file may well end otherwise: then
    it is taken once it has lain still for long enough.

    Raises
    ------
    OSError
        When it cannot be read.
    """
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        head = file.read(_TAIL)
        if head.startswith(_GZIP):
            file.seek(0)
            return _gzip_whole(file)
        file.seek(max(0, os.fstat(handle).st_size - _TAIL))
        return _text_whole(head, file.read())


def _text_whole(head: bytes, tail: bytes) -> bool:
    tail = tail.rstrip(b"\x00")  # the other half of a line end in UTF-16
    if not tail.endswith((b"\n", b"\r")):
        return False
    if not head.lstrip(b"\xef\xbb\xbf").startswith(b"# drain-log:"):
        return True
    return tail.rstrip().rpartition(b"\n")[2].startswith(b"# end:")


def _gzip_whole(file: BinaryIO) -> bool:
    unpack = zlib.decompressobj(wbits=31)
    head = tail = b""
    size = 0
    try:
        while not unpack.eof:
            data = unpack.unconsumed_tail or file.read(_PIECE)
            if not data:
                return False
            text = unpack.decompress(data, _PIECE)
            head = (head + text)[:_TAIL] if len(head) < _TAIL else head
            tail = (tail + text)[-_TAIL:]
            size += len(text)
            if size > _MOST_UNPACKED:
                return True
    except zlib.error:
        return True  # damaged, not unfinished: the load says what is wrong
    return _text_whole(head, tail)

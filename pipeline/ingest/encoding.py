"""Whether a file was written in another encoding than its profile says, so that what it says is not found."""

from __future__ import annotations

import codecs
import re

_HEAD_BYTES = 16_384
_WIDE_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_SNIFFED = 64
_MOSTLY = 0.8
# Two signs of a letter that was written as UTF-8 and read, and written again, as a Western code page.
_READ_TWICE = re.compile(
    "[\u00c2\u00c3][\u0080-\u00bf\u0152\u0153\u0160\u0161\u0178\u017d\u017e\u0192]|\u00e2\u20ac"
)


def is_wide(data: bytes) -> bool:
    """Whether the text is UTF-16: by its byte-order mark, or because every other byte is nought at first."""
    nought = sorted(data[start:_SNIFFED:2].count(0) for start in (0, 1))
    return data.startswith(_WIDE_MARKS) or (nought[0] == 0 and nought[1] > _MOSTLY * _SNIFFED / 2)


def other_encoding(data: bytes, encoding: str) -> str | None:
    r"""
    A sentence where the first lines were hardly written in this encoding; null where nothing shows it.

    Examples
    --------
    >>> other_encoding("Gerät;7".encode("cp1252"), "utf-8").partition(":")[0]
    "Its first lines do not decode as utf-8, the profile's encoding"
    >>> other_encoding("Gerät;7".encode(), "windows-1252").partition(":")[0]
    "Its first lines read as utf-8, and the profile's encoding is windows-1252"
    >>> other_encoding("Gerät;7".encode(), "utf-8") is None
    True
    """
    head = data[:_HEAD_BYTES]
    text = _decoded(head, encoding)
    name = re.sub(r"^cp(?=125\d$)", "windows-", encoding)
    likely = "that is the likely cause. Export it as the profile says, or write a profile for this encoding."
    if text is None:
        return f"Its first lines do not decode as {name}, the profile's encoding: {likely}"
    is_utf8 = codecs.lookup(encoding).name in ("utf-8", "utf-8-sig")
    if not is_utf8 and not head.isascii() and not is_wide(data) and _decoded(head, "utf-8") is not None:
        return f"Its first lines read as utf-8, and the profile's encoding is {name}: {likely}"
    if _READ_TWICE.search(text):
        return (
            "Its first lines hold signs like \u00c3\u00a4, as a program writes that read them in a wrong "
            "encoding: that is the likely cause. Export the file again."
        )
    return None


def _decoded(head: bytes, encoding: str) -> str | None:
    """The text; null where bytes mean nothing in this encoding. A sign cut at the end is none of those."""
    try:
        return codecs.getincrementaldecoder(encoding)("strict").decode(head, final=False)
    except (UnicodeError, LookupError):
        return None

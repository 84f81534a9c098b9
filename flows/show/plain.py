"""Text from files as a terminal may show it: no sign in it is obeyed, each that would be is written out."""

from __future__ import annotations

import unicodedata


def plain(text: str, keep: str = "") -> str:
    r"""
    The text with every sign that does not print (control, direction, none at all) written as an escape.

    A terminal obeys some control signs: a ward called so could colour, hide or overwrite what is printed, or
    set the window's title. Signs of direction turn what follows round.

    Parameters
    ----------
    keep
        Signs to leave as they are, e.g. a line's end in text of our own.

    Examples
    --------
    >>> plain("ward \x1b[31m4\u202e")
    'ward \\x1b[31m4\\u202e'
    """
    return "".join(sign if sign in keep or prints(sign) else _escaped(sign) for sign in text)


def prints(sign: str) -> bool:
    """Whether a sign shows as itself or as a blank, and nothing obeys it."""
    return sign.isprintable() or unicodedata.category(sign) == "Zs"


def _escaped(sign: str) -> str:
    return sign.encode("unicode_escape").decode("ascii")

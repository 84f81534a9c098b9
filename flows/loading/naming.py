"""How files of one call are named for whoever made it: by their last part, by more where that is shared."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from flows.show.plain import plain


def names_apart(paths: Iterable[Path]) -> dict[Path, str]:
    """
    The end of each path, as short as tells it from the others; for people, never published.

    Bytes that are no UTF-8 and control signs are shown as escapes.

    Examples
    --------
    >>> names = names_apart([Path("in/north/a.csv"), Path("in/south/a.csv"), Path("in/b.csv")])
    >>> list(names.values())
    ['north/a.csv', 'south/a.csv', 'b.csv']
    """
    every = list(dict.fromkeys(paths))
    shown: dict[Path, str] = {}
    open_ones, parts = every, 1
    while open_ones:
        ends = {path: _end(path, parts) for path in open_ones}
        many = Counter(ends.values())
        whole = [path for path in open_ones if many[ends[path]] == 1 or len(path.parts) <= parts]
        shown |= {path: ends[path] for path in whole}
        open_ones = [path for path in open_ones if path not in shown]
        parts += 1
    return {path: shown[path] for path in every}


def _end(path: Path, parts: int) -> str:
    return plain(os.fsencode("/".join(path.parts[-parts:])).decode("utf-8", "backslashreplace"))

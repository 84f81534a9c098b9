"""What file managers, editors and drives leave in a folder beside the files that people put there."""

from __future__ import annotations

import re

# A file by its whole name. Nobody exports a log under one of these.
_FILES = re.compile(
    r"""
      \.ds_store | \._.* | \.localized | \.apdisk        # of a folder's looks, and a file's other half
    | (eh)?thumbs(_vista)?\.db(:encryptable)? | desktop\.ini | \.directory
    | \.~lock\..*\# | ~\$.* | \.\#.* | \#.*\#               # an open document, an open text
    | \..*\.sw[a-p] | .+\.sw[op] | .+~ | \.nfs[0-9a-f]{8,} | \.fuse_hidden.*
    | \.(git)?keep | \.gitignore | \.gitattributes
    """,
    re.VERBOSE | re.IGNORECASE,
)
_FOLDERS = re.compile(
    r"""
      \.git | \.svn | \.idea | \.vscode | \.trashes | \.trash-\d+ | \.spotlight-v100 | \.fseventsd
    | \.temporaryitems | \.documentrevisions-v100 | __macosx | \.appledouble | @eadir | \#recycle
    | \$recycle\.bin | system\ volume\ information | lost\+found | \.snapshots?
    """,
    re.VERBOSE | re.IGNORECASE,
)


def is_litter(name: str, size: int | None = None) -> bool:
    """
    Whether a file is no file of ours by its name, or hidden and empty.

    A hidden file with something in it may be a copy under way, and any other name may be a log that was
    named oddly: those are for somebody to look at.

    Parameters
    ----------
    size
        In bytes; null where nobody knows.

    Examples
    --------
    >>> [is_litter(name) for name in (".DS_Store", "Thumbs.db", "~$plan.docx", "a.csv~")]
    [True, True, True, True]
    >>> [is_litter(name, 12) for name in (".a.csv.Xq2f", "README.txt", "plan.docx")], is_litter(".lock", 0)
    ([False, False, False], True)
    """
    return _FILES.fullmatch(name) is not None or (size == 0 and name.startswith("."))


def is_litter_folder(name: str) -> bool:
    """Whether a folder is a file manager's, an editor's or a drive's own; what lies in it is none of ours."""
    return _FOLDERS.fullmatch(name) is not None

"""What an engine says of a fault, cut to what a person can read."""

from __future__ import annotations

import re

# Where an engine's own sentence ends and its stack, or a second sentence, begins.
_END = re.compile(r"\n|\s+\d+: |\s*stack backtrace|\.\s+(?=[A-Z])", re.IGNORECASE)
_MOST = 200  # characters


def first_sentence(error: BaseException) -> str:
    """
    The first sentence of an engine's error in one line, without a stack trace; else the error's kind.

    Examples
    --------
    >>> first_sentence(OSError("Kernel error: No table version found.\\n   0: start\\n  at ./clone3.S:81"))
    'Kernel error: No table version found'
    >>> first_sentence(KeyError())
    'KeyError'
    """
    said = _END.split(str(error).strip(), maxsplit=1)[0].strip().rstrip(".:")
    return said[:_MOST] or type(error).__name__

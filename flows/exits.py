"""What a command's exit status says; its last word where it was stopped."""

from __future__ import annotations

DONE, SOME_REJECTED, WRONG_CALL, FAILED = 0, 1, 2, 3
INTERRUPTED = 130  # what a shell makes of a command stopped by Ctrl-C

"""Completion of commands and options in a shell: `completion`."""

from __future__ import annotations

from typing import Literal

from flows.app import TRY, app, examples
from flows.commands import import_all
from flows.exits import DONE


@app.command(
    group=TRY,
    help_epilogue=examples(
        "completion bash > ~/.local/share/bash-completion/completions/drainledger",
        "completion zsh > ~/.zfunc/_drainledger",
    ),
)
def completion(shell: Literal["bash", "zsh", "fish", "powershell"], /) -> int:
    """Print the script by which a shell completes commands and options."""
    import_all()
    # The shell's name, for whose language the script is written: nothing is run.
    print(app.generate_completion(prog_name="drainledger", shell=shell), end="")  # nosec B604
    return DONE

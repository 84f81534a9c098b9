"""
One module a group of commands. Each command parses, calls one function of `flows` and says what came of it;
importing a module registers its commands on `flows.app.app`.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module

# Module → its commands; only the module that a call needs is imported.
MODULES: dict[str, tuple[str, ...]] = {
    "asking": ("sql", "explain", "outcomes", "whatif"),
    "completing": ("completion",),
    "inventing": ("simulate",),
    "keeping": ("demo", "load", "check", "status", "rejected", "rebuild"),
    "mending": ("withdraw", "reread", "erase", "backup", "restore"),
    "nights": ("nightly", "serve"),
    "pages": ("report",),
    "profiles": ("profile",),
    "research": ("extract", "verify", "sample", "score"),
    "tending": ("doctor", "maintain"),
}


def import_for(words: Iterable[str]) -> None:
    """Import the modules of the commands among these words; all of them where no word names a command."""
    said = set(words)
    _import([module for module, names in MODULES.items() if not said.isdisjoint(names)] or MODULES)


def import_all() -> None:
    """Import every module."""
    _import(MODULES)


def _import(modules: Iterable[str]) -> None:
    for module in modules:
        import_module(f"{__name__}.{module}")

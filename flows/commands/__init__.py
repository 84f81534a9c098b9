"""
One module a room of the command line. Each command parses, calls one function of `flows` and says
what came of it; importing this package registers them all on `flows.app.app`.
"""

from flows.commands import (
    asking,
    completing,
    inventing,
    keeping,
    mending,
    nights,
    pages,
    profiles,
    research,
    tending,
)

__all__ = [
    "asking",
    "completing",
    "inventing",
    "keeping",
    "mending",
    "nights",
    "pages",
    "profiles",
    "research",
    "tending",
]

"""What people edit and code reads: definitions, profiles, rules, cohorts, SQL cookbook, guides."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

SHARED = Path(str(files(__name__)))

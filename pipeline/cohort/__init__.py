"""From device uses and the ward's registry to patients' drains, their outcomes and the cohort's statistics.

Uses, their course and registry rows come in; the published tables of drains go out; loads call it.
"""

from pipeline.cohort.annotations import use_annotations
from pipeline.cohort.claims import Claims, claim, cuts_of
from pipeline.cohort.registry import (
    RegistryKind,
    RegistryRead,
    kind_of,
    read_annotations,
    read_registry,
    standing,
)

__all__ = [
    "Claims",
    "RegistryKind",
    "RegistryRead",
    "claim",
    "cuts_of",
    "kind_of",
    "read_annotations",
    "read_registry",
    "standing",
    "use_annotations",
]

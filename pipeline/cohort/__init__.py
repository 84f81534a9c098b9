"""From device uses and the ward's registry to patients' drains, their outcomes and the cohort's statistics.

Uses, their course and registry rows come in; the published tables of drains go out; loads call it.
"""

from pipeline.cohort.annotations import against_log_findings, use_annotations
from pipeline.cohort.claims import Claims, claim, cuts_of
from pipeline.cohort.findings import clock_findings
from pipeline.cohort.operations import counted_outcomes, operations
from pipeline.cohort.paper import RegistryKind, kind_of
from pipeline.cohort.reconciling import reconcile
from pipeline.cohort.registry import (
    RegistryRead,
    read_annotations,
    read_registry,
    standing,
)
from pipeline.cohort.rules import RemovalRule, load_rules
from pipeline.cohort.strata import leak_at_threshold, leak_strata
from pipeline.cohort.summary import DrainTables, summarise
from pipeline.cohort.survival import leak_incidence, leak_survival

__all__ = [
    "Claims",
    "DrainTables",
    "RegistryKind",
    "RegistryRead",
    "RemovalRule",
    "against_log_findings",
    "claim",
    "clock_findings",
    "counted_outcomes",
    "cuts_of",
    "kind_of",
    "leak_at_threshold",
    "leak_incidence",
    "leak_strata",
    "leak_survival",
    "load_rules",
    "operations",
    "read_annotations",
    "read_registry",
    "reconcile",
    "standing",
    "summarise",
    "use_annotations",
]

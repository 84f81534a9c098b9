"""From drains to a cohort's de-identified extract, and from minutes to strips for human readers.

The ledger's tables and a cohort file come in; the bytes of every file of an extract go out; `extract`,
`verify`, `sample` and `score` call it.
"""

from pipeline.extract.cohort_file import Cohort
from pipeline.extract.cohort_reading import parse_cohort, read_cohort
from pipeline.extract.making import MANIFEST, Extract, FileInForce, Source, make_extract
from pipeline.extract.manifest import Manifest, read_manifest

__all__ = [
    "MANIFEST",
    "Cohort",
    "Extract",
    "FileInForce",
    "Manifest",
    "Source",
    "make_extract",
    "parse_cohort",
    "read_cohort",
    "read_manifest",
]

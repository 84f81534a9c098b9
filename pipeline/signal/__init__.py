"""Pressure traces → evidence of breathing.

Comes in: text of sampled data, or a matrix of pressures. Goes out: a verdict with numbers a trace.
`course` calls it; NumPy, SciPy and Polars only, no files and no database.
"""

from pipeline.signal.assess import assess
from pipeline.signal.decode import decode

__all__ = ["assess", "decode"]

"""
In: published tables, minutes of one drain. Out: charts and self-contained pages. Called by flows.

Every picture of the project is made here or drawn with this folder's look (`look`), guides included.
"""

from pipeline.report.look import BANDS, GREYS, SERIES, picture, themed

__all__ = ["BANDS", "GREYS", "SERIES", "picture", "themed"]

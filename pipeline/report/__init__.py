"""
In: published tables, minutes of one drain. Out: charts and self-contained pages. Called by flows.

Every picture of the project is made here or drawn with this folder's look (`look`), guides included. A page
is sections (`page`) of figures (`figure`) and tables (`table`), asked of the published database (`ask`).
"""

from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.flag_rows import BANDS
from pipeline.report.look import GREYS, SERIES, picture, themed
from pipeline.report.page import Section, page
from pipeline.report.table import Col, table

__all__ = [
    "BANDS",
    "GREYS",
    "SERIES",
    "Ask",
    "Col",
    "Section",
    "figure",
    "page",
    "picture",
    "table",
    "themed",
]

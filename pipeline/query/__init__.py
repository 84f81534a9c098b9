"""
Asking the published database: one SELECT goes in, its rows come out, or a sentence that says what is wrong.

Who only asks waits for the engine and not for frames, the lake or what builds the database: nothing of these
is imported before it is needed. Called by the command line, by the flows that look, by the marts.
"""

from pipeline.query.reader import readable
from pipeline.query.rows import Rows
from pipeline.query.select import select, select_rows

__all__ = ["Rows", "readable", "select", "select_rows"]

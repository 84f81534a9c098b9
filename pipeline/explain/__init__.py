"""Explain: why each flag holds or not at one minute, clause by clause, with values and limits.

In: a use's marked grid, its evidence and annotations, the definitions. Out: answers that a sceptic can check
against the log. The clauses are the flags' own expressions, evaluated again; called by `drainledger explain`.
"""

from pipeline.explain.answer import Answer, Clause, FlagAnswer, Way
from pipeline.explain.minute import Explained, explain_minute

__all__ = ["Answer", "Clause", "Explained", "FlagAnswer", "Way", "explain_minute"]

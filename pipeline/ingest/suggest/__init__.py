"""
An export nobody has described yet → a site profile to edit: what its lines show, and every doubt marked.

Given bytes and a file name; gives TOML text with the doubts in it. Called by `drainledger profile suggest`.
"""

from pipeline.ingest.suggest.suggest import Suggestion, suggest

__all__ = ["Suggestion", "suggest"]

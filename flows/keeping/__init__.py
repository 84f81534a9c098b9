"""
A ledger kept in order: looked over, maintained, backed up, and what is in it withdrawn or erased.

A home comes in; the same home, in order, and an account of what was done go out.
Called by the commands; a load takes up an erasure that was begun.
"""

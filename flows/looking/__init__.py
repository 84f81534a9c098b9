"""
What people look at: how a ledger stands, why a flag holds, the pages.

A home comes in; values for `flows.show`, or HTML files, go out. Changes nothing of the ledger.
Called by the commands and, for the pages, by the nights.
"""

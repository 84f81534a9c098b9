"""
What researchers take from a ledger: extracts and their check, outcomes, what-ifs, samples for readers.

A home and a TOML file of somebody's question come in; files and frames go out.
Called by the commands.
"""

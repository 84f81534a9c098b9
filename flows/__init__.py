"""Orchestration: Prefect flows and tasks (thin), settings, the command line.

Comes in: paths and options. Goes out: exit codes, printed tables. People and schedulers call it.
"""

"""The computing: functions from frames to frames, and the store they are kept in.

Comes in: files, profiles, registries. Goes out: lake tables and the published database.
`flows` calls it; it knows neither Prefect nor a command line.
"""

"""
The stages of a load and of a night as Prefect flows and tasks, here or on the workers of a Dask scheduler.

Plain functions of `flows.loading` and `flows.nights` come in; the same, tried again and recorded, go out.
Imported only where a Prefect server or a Dask scheduler is named.
"""

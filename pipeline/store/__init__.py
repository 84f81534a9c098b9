"""The home folder: raw vault, lake, private store, lock.

Comes in: bytes and frames. Goes out: the same, durable, all or nothing. The load stages in `flows` call it.
"""

from pipeline.store.home import Home

__all__ = ["Home"]

"""
A load, stage by stage.

Files and folders come in; rows in the lake, what is derived from them, and a published database go out.
Called by the commands, by the nights and by Prefect's tasks; knows none of them.
"""

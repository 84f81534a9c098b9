"""
Loads that nobody watches.

A landing folder comes in; a load, pages, a cleared folder, a line for a mail, records for `status` go out.
Called by `nightly` and `serve`, plainly or through `flows.orchestration`.
"""

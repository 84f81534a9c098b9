"""Course: from the minutes of device uses to what happened at the bedside.

In: loaded minutes and traces, then resolved uses; out: the minute-by-minute course with flags, periods,
alerts and canisters. Called by the flows, batch by batch.
"""

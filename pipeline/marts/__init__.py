"""
The published database: frames of drains go in, `drainledger.duckdb` comes out, swapped in whole.

One SQL file a view or group of macros in `sql/`, each opening with its clinical definition. Called by the
flows to publish, by the command line to query, by tests to compare two publications row by row.
"""

from pipeline.marts.baselines import chart_baselines
from pipeline.marts.changes import changes
from pipeline.marts.dump import dump
from pipeline.marts.publish import publish
from pipeline.query.reader import readable
from pipeline.query.select import select

__all__ = ["changes", "chart_baselines", "dump", "publish", "readable", "select"]

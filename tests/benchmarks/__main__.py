"""Run the benches: `python -m tests.benchmarks [NAME…]`, NAME as in bench_NAME.py; all without one."""

from __future__ import annotations

import datetime
import importlib
import json
import os
import platform
import sys
from pathlib import Path

from tests.benchmarks.rows import Row, printed

HERE = Path(__file__).parent
KEPT = HERE.parents[1] / "build" / "bench"


def machine() -> str:
    """What a reader must know to compare the figures with their own."""
    processor = platform.processor() or platform.machine()
    lines = Path("/proc/cpuinfo").read_text().splitlines() if Path("/proc/cpuinfo").exists() else []
    models = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
    name = models[0] if models else processor
    return f"{os.cpu_count()} cores, {name}, {platform.system()}, Python {platform.python_version()}"


def main(names: list[str]) -> int:
    """Run them, print the table, keep the figures; 1 where a target was missed."""
    known = sorted(path.stem.removeprefix("bench_") for path in HERE.glob("bench_*.py"))
    unknown = sorted(set(names) - set(known))
    if unknown:
        print(f"no bench named {', '.join(unknown)}; there are: {', '.join(known)}", file=sys.stderr)
        return 2
    print(machine(), flush=True)
    rows: list[Row] = []
    for name in names or known:
        print(f"\n{name} …", flush=True)
        measured = list(importlib.import_module(f"tests.benchmarks.bench_{name}").rows())
        print("\n".join(printed(measured)), flush=True)
        rows += measured
    KEPT.mkdir(parents=True, exist_ok=True)
    now = datetime.datetime.now(datetime.UTC)
    kept = KEPT / f"bench-{now:%Y%m%dT%H%M%SZ}.json"
    record = {"at": now.isoformat(), "machine": machine(), "rows": [row.record() for row in rows]}
    kept.write_text(json.dumps(record, indent=1) + "\n")
    print(f"\nkept in {kept.relative_to(HERE.parents[1])}")
    return int(any(row.reached is False for row in rows))


sys.exit(main(sys.argv[1:]))

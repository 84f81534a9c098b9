"""
What things cost, as ratios in one run: each row beside its peer or its limit, never a timed test.

`make bench` runs every `bench_*.py` here (or those named), prints measured, target and verdict, and
keeps the figures in a dated file under `build/bench/`.
"""

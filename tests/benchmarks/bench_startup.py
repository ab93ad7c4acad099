"""How long `dynostats --help` takes to start, beside a bare interpreter in the same run.

Run: .venv/bin/python tests/benchmarks/bench_startup.py [--check]

Both are started in turn, many times; the medians are compared. The target is 8 times; with
--check the exit status is 1 beyond it.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time

TARGET = 8.0
REPEATS = 25

BARE = [sys.executable, "-c", "pass"]
HELP = [sys.executable, "-m", "dynostats", "--help"]


def start_ms(command: list[str]) -> float:
    """Return the wall time of one start, ms."""
    begin = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return (time.perf_counter() - begin) * 1000


def measure(repeats: int = REPEATS) -> dict[str, float]:
    """Return the medians of both commands, started in turn, and their ratio."""
    start_ms(HELP)  # once unmeasured, so that bytecode is compiled and files are cached
    pairs = [(start_ms(BARE), start_ms(HELP)) for _ in range(repeats)]
    bare, shown = (statistics.median(times) for times in zip(*pairs, strict=True))
    return {"bare_ms": bare, "help_ms": shown, "ratio": shown / bare, "target": TARGET}


if __name__ == "__main__":
    measured = measure()
    sys.stdout.write(json.dumps(measured, indent=1) + "\n")
    sys.exit("--check" in sys.argv and measured["ratio"] > TARGET)

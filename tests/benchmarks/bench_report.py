"""How long a report takes, beside what Altair itself needs for the same charts stacked in a page.

Run: .venv/bin/python tests/benchmarks/bench_report.py

Sixteen pulls on a grid of 401 speeds. Each side runs in turn in fresh processes; processor time of
the work itself is counted, without imports, since both import the same libraries. The target is
1.5 times; the page's size has to stay within 1.5 MB.
"""

# ruff: noqa: PLC0415 - each side imports only what it needs itself
from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

TARGET = 1.5
REPEATS = 7


def work_report() -> dict[str, float]:
    """Render our page once."""
    from dynostats.report import render_report

    result = _example()
    begin = time.process_time()
    page = render_report(result)
    return {"seconds": time.process_time() - begin, "bytes": len(page.encode())}


def work_altair() -> dict[str, float]:
    """Let Altair put the same charts into one page with its runtime inline."""
    import altair as alt

    from dynostats import charts

    result = _example()
    begin = time.process_time()
    drawn = [getattr(charts, name)(result) for name in charts.__all__]
    for chart in drawn:
        chart.config = alt.Undefined  # a stack takes no looks of its parts
    page = alt.vconcat(*drawn).to_html(inline=True)
    return {"seconds": time.process_time() - begin, "bytes": len(page.encode())}


def _example() -> object:
    sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
    from comparison_example import example_comparison

    return example_comparison(step=11.0, a_side=8)


def once(side: str) -> dict[str, float]:
    """Run one side in a fresh process."""
    command = [sys.executable, __file__, side]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def measure(repeats: int = REPEATS) -> dict[str, float]:
    """Return the medians of both sides, run in turn, their ratio and the page's size."""
    pairs = [(once("report"), once("altair")) for _ in range(repeats)]
    ours, theirs = (
        statistics.median(run["seconds"] for run in side) for side in zip(*pairs, strict=True)
    )
    return {
        "report_s": ours,
        "altair_s": theirs,
        "ratio": ours / theirs,
        "target": TARGET,
        "page_bytes": pairs[0][0]["bytes"],
    }


if __name__ == "__main__":
    sides = {"report": work_report, "altair": work_altair}
    found = sides[sys.argv[1]]() if len(sys.argv) > 1 else measure()
    sys.stdout.write(json.dumps(found, indent=1) + "\n")

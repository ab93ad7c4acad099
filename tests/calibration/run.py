"""Run the calibration in full and write its tables and chart.

    .venv/bin/python tests/calibration/run.py --studies 2000 --out reports

It can be stopped and started again: scenarios that are done stay done while the number of studies
is the same. The random-field rival takes part where spm1d can be imported (the `bench` extra).
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # one process a core instead
    os.environ.setdefault(threads, "1")
sys.path.insert(0, str(Path(__file__).parent))

from cells import Cell, choose_cells  # noqa: E402 - after the number of threads is set
from judge import judge  # noqa: E402
from tables import write_tables  # noqa: E402


def main() -> None:
    """Judge every scenario, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--out", type=Path, default=Path("reports"))
    parser.add_argument("--keep", type=Path, default=Path("/tmp/dynostats-calibration"))  # noqa: S108
    asked = parser.parse_args()
    asked.keep.mkdir(parents=True, exist_ok=True)
    cells = choose_cells()
    started = time.monotonic()
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        running = [
            pool.submit(run_cell, cell, seed, asked.studies, asked.keep)
            for seed, cell in enumerate(cells)
        ]
        for done, future in enumerate(as_completed(running), start=1):
            told = f"{done}/{len(cells)} {future.result()} {time.monotonic() - started:.0f} s"
            print(told, file=sys.stderr)  # noqa: T201 - a script for a terminal
    results = [(cell, read(asked.keep, cell, asked.studies)) for cell in cells]
    write_tables(results, asked.studies, asked.out)


def run_cell(cell: Cell, seed: int, studies: int, keep: Path) -> str:
    """Judge one scenario unless it is done, and keep its counts."""
    path = kept(keep, cell, studies)
    if not path.exists():
        tally = judge(cell, studies, seed=seed)
        counts = [[*event, count] for event, count in sorted(tally.counts.items())]
        path.write_text(json.dumps(counts))
    return cell.name


def kept(keep: Path, cell: Cell, studies: int) -> Path:
    """Return where the counts of a scenario are kept."""
    return keep / f"{cell.name}-{studies}.json"


def read(keep: Path, cell: Cell, studies: int) -> dict[tuple[str, str], int]:
    """Return the counts of a scenario by method and event."""
    rows = json.loads(kept(keep, cell, studies).read_text())
    return {(method, event): count for method, event, count in rows}


if __name__ == "__main__":
    main()

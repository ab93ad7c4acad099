"""Run the calibration and write its tables and chart.

    python tests/calibration/run.py --studies 2000 --out reports

It can be stopped and started again: scenarios that are done stay done while the code they rest on
and the number of studies are the same. The random-field rival takes part where spm1d can be
imported (the `bench` extra).
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

HERE = Path(__file__).parent
if __name__ in {"__main__", "__mp_main__"}:
    # One process a core instead of threads; the workers read this before numpy is loaded.
    os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
    sys.path.insert(0, str(HERE))

from cells import Cell, choose_cells  # noqa: E402 - after the number of threads is set
from judge import judge  # noqa: E402
from rivals import HAS_SPM1D  # noqa: E402
from tables import write_tables  # noqa: E402

import dynostats  # noqa: E402

WORKERS = 2


def main() -> None:
    """Judge every scenario, then write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000, help="simulated studies a scenario")
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of the tables")
    parser.add_argument(
        "--keep",
        type=Path,
        default=Path(tempfile.gettempdir()) / "dynostats-calibration",
        help="folder of what is done so far",
    )
    asked = parser.parse_args()
    for folder in (asked.keep, asked.out):
        folder.mkdir(parents=True, exist_ok=True)
    if not HAS_SPM1D:
        tell("spm1d is not installed: no random-field rival")
    cells, mark = choose_cells(), fingerprint()
    started, results = time.monotonic(), {}
    with ProcessPoolExecutor(max_workers=WORKERS, mp_context=get_context("spawn")) as pool:
        running = {
            pool.submit(judge_cell, cell, asked.studies, asked.keep, mark): cell for cell in cells
        }
        for future in as_completed(running):
            cell = running[future]
            results[cell] = future.result()
            spent = time.monotonic() - started
            tell(f"{len(results)}/{len(cells)} {cell.name} {spent:.0f} s")
    write_tables([(cell, results[cell]) for cell in cells], asked.studies, asked.out)


def tell(text: str) -> None:
    """Say how far the run is."""
    sys.stderr.write(text + "\n")


def fingerprint() -> str:
    """Return a mark of the code that the counts rest on."""
    package = Path(dynostats.__file__).parent
    parts = [*package.glob("analysis/*.py"), *package.glob("simulate/*.py")]
    parts += [HERE / f"{name}.py" for name in ("cells", "judge", "rivals")]
    digest = hashlib.sha256(b"spm1d" if HAS_SPM1D else b"")
    for path in sorted(parts):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def judge_cell(cell: Cell, studies: int, keep: Path, mark: str) -> dict[tuple[str, str], int]:
    """Return the counts of a scenario by method and event, from the file that keeps them if done.

    Args:
        cell: The scenario.
        studies: How many simulated studies.
        keep: Folder of the files, one a scenario.
        mark: Mark of the code; what other code counted is counted anew.
    """
    path = keep / f"{cell.name}-{studies}.json"
    told = json.loads(path.read_text("utf-8")) if path.exists() else {}
    if told.get("mark") != mark:
        begin = time.process_time()
        counts = judge(cell, studies)
        told = {
            "mark": mark,
            "studies": studies,
            "cpu_s": time.process_time() - begin,
            "counts": [[*event, count] for event, count in sorted(counts.items())],
        }
        part = path.with_suffix(".part")  # a run that is stopped leaves no half file
        part.write_text(json.dumps(told), encoding="utf-8")
        part.replace(path)
    return {(method, event): count for method, event, count in told["counts"]}


if __name__ == "__main__":
    main()

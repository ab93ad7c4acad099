"""How often the interval of each part of a split holds the truth, and 'assumed' is said.

    .venv/bin/python tests/calibration/attribution.py --studies 1000 --out reports

Writes attribution.md and attribution.csv, anew after every scenario. Every study goes through the
whole of `attribute`, from curves and channels on. About 15 minutes of one core for 1,000 studies a
scenario.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(threads, "1")  # one process a core instead
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402 - after the number of threads is set
import polars as pl  # noqa: E402
from attribution_shops import PARTS, SCENARIOS, Graded, Scenario, grade  # noqa: E402
from scipy.stats import beta  # noqa: E402

WORDS = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "unexplained",
}
INTRODUCTION = (
    "{studies} simulated studies a scenario, each through the whole of `attribute`. Coverage: how "
    "often the 95% interval of a part's band mean holds the true part, with its exact 95% "
    "interval; at each speed: mean share of speeds at which it does. Wide: mean half-width, "
    "percent of torque. Off: mean error, likewise. Identified: how often the answer says that the "
    "pulls alone identify every exponent. In the first scenarios torque follows its causes by "
    "known exponents, 'drawn' ones anew in each study from the stated priors; in those named "
    "engine the mean-value engine runs, and the truth is Shapley's split of it."
)


def main() -> None:
    """Grade every scenario and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--out", type=Path, default=Path("reports"))
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=[], help="names of scenarios")
    asked = parser.parse_args()
    wanted = [one for one in SCENARIOS if not asked.only or one.name in asked.only]
    asked.out.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(asked.workers) as pool:
        for scenario in wanted:
            begin = time.monotonic()
            graded = list(pool.map(partial(grade, scenario), range(asked.studies), chunksize=20))
            rows += rows_of(scenario, graded)
            sys.stderr.write(f"{scenario.name}: {time.monotonic() - begin:.0f} s\n")
            frame = pl.DataFrame(rows)
            frame.write_csv(asked.out / "attribution.csv", float_precision=4)
            (asked.out / "attribution.md").write_text(to_markdown(frame, asked.studies), "utf-8")


def rows_of(scenario: Scenario, graded: Sequence[Graded]) -> list[dict[str, object]]:
    """Return one row a part."""
    inside = np.array([one.inside for one in graded])
    identified = float(np.mean([one.identified for one in graded]))
    return [
        {
            "scenario": scenario.name,
            "what": scenario.words,
            "part": part,
            "coverage": float(inside[:, at].mean()),
            "low": exact_interval(int(inside[:, at].sum()), len(graded))[0],
            "high": exact_interval(int(inside[:, at].sum()), len(graded))[1],
            "by_speed": float(np.mean([one.by_speed[at] for one in graded])),
            "half_width_pct": float(np.mean([one.half[at] for one in graded])),
            "off_pct": float(np.mean([one.off[at] for one in graded])),
            "identified": identified,
            "studies": len(graded),
        }
        for at, part in enumerate(PARTS)
    ]


def exact_interval(count: int, of: int) -> tuple[float, float]:
    """Return the 95% interval of a share. Source: Clopper & Pearson (1934), Biometrika 26:404."""
    low = 0.0 if count == 0 else float(beta.ppf(0.025, count, of - count + 1))
    high = 1.0 if count == of else float(beta.ppf(0.975, count + 1, of - count))
    return low, high


def to_markdown(frame: pl.DataFrame, studies: int) -> str:
    """Return the table of all scenarios."""
    lines = [
        "# Parts of a difference: coverage of their intervals",
        "",
        INTRODUCTION.format(studies=f"{studies:,}"),
        "",
        "| scenario | part | coverage | at each speed | wide | off | identified |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in frame.iter_rows(named=True):
        first = row["part"] == PARTS[0]
        lines.append(
            f"| {row['scenario'] + ': ' + row['what'] if first else ''} | {WORDS[row['part']]} | "
            f"{row['coverage']:.1%} ({row['low']:.1%} to {row['high']:.1%}) | "
            f"{row['by_speed']:.1%} | {row['half_width_pct']:.2f} | {row['off_pct']:+.3f} | "
            f"{format(row['identified'], '.1%') if first else ''} |"
        )
    lines += ["", "Made by `tests/calibration/attribution.py`; its head says how.", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
